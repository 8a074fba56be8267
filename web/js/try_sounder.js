/** One tone of a second from the sounder alone: to hear whether there is one. */

import { useState } from "../vendor/preact-hooks.js";
import { Act } from "./act.js";
import { post } from "./ask.js";
import { html } from "./html.js";
import { N } from "./strings_sounder.js";

/** @param {{chamber: string}} props */
export function TrySounder({ chamber }) {
  const [told, setTold] = useState("");
  const work = async () => {
    setTold("");
    const { well, fault } = await post("/api/alarm-tests/sounder", { chamber });
    setTold(well ? N.made : N.failed(fault ?? ""));
  };
  return html`<span><${Act} kind="slight" work=${work}>${N.ask}<//>
    ${" "}<span role="status">${told}</span></span>`;
}
