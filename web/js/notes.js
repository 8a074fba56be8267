/** What people have noted on a job. */

import { useEffect, useState } from "../vendor/preact-hooks.js";
import { each } from "./past.js";
import { S } from "./strings.js";
import { height } from "./units.js";

/** @typedef {import("./types.js").Note} Note */

/** @type {Note[]} */
const NONE = [];

/** All notes of a job, oldest first. @param {string} job @returns {Promise<Note[]>} */
export async function fetchNotes(job) {
  /** @type {Note[]} */
  const notes = [];
  await each(`/api/jobs/${encodeURIComponent(job)}/notes?`, (note) => notes.push(note));
  return notes;
}

/**
 * The notes of the running job; asked for anew whenever `when` changes.
 * @param {string} job  its id, or nothing
 * @param {string} when
 * @returns {Note[]}
 */
export function useNotes(job, when) {
  const [known, setKnown] = useState({ job: "", notes: NONE });
  useEffect(() => {
    if (!job) return;
    let over = false;
    fetchNotes(job).then(
      (notes) => over || setKnown({ job, notes }),
      () => undefined, // out of touch or unreadable: both are told elsewhere
    );
    return () => {
      over = true;
    };
    // Not when the job alone changes: a new one has no notes, and isn't kept yet.
  }, [when]);
  return known.job === job ? known.notes : NONE;
}

/** "compressor on (this computer, at 19 mm)". @param {Note} note @param {boolean} [ruled] without the height */
export function noteLine(note, ruled = false) {
  const at = ruled || note.height_mm === null ? "" : S.job.note_at(height(note.height_mm));
  return `${note.text} (${[note.by, at].filter(Boolean).join(", ")})`;
}
