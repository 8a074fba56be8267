/** Which chamber is being set up, as the browser keeps it: its key, or that it is another one. */

export const WHICH = "setup-chamber";
export const ANOTHER = "+"; // which no chamber is called
