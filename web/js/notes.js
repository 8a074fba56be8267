/** What people have noted on a job. */

import { each, useOfJob } from "./past.js";
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
 */
export const useNotes = (job, when) => useOfJob(job, when, fetchNotes, NONE);

/** "compressor on (this computer, at 19 mm)". @param {Note} note @param {boolean} [ruled] without the height */
export function noteLine(note, ruled = false) {
  const at = ruled || note.height_mm === null ? "" : S.job.note_at(height(note.height_mm));
  return `${note.text} (${[note.by, at].filter(Boolean).join(", ")})`;
}
