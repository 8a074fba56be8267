/**
 * Every word the page says by itself. What happened (sentence, alarms, stories)
 * is worded by the service. Plain sentences, figures with units, what to do next.
 */

/** Those it is held against. @param {number} sound  @param {string} material */
const many = (sound, material) => `the ${sound === 1 ? "one sound job" : `${sound} sound jobs`}${material ? ` in ${material}` : ""}`;

export const S = {
  name: "Stillair",

  ask: {
    no_answer: "No answer from the service. Nothing was changed as far as this page knows.",
    sign_in: "Sign in first.",
    /** @param {number} status */
    refused: (status) => `The service refused (${status}).`,
  },

  later: {
    waiting: "Fetching this page …",
    failed: "This page can't be fetched just now: the service gives no answer, or it has been renewed since this page was opened. It tries again by itself.",
    again: "Load it all again",
  },

  head: {
    skip: "To what stands here",
    watch: "How the watch itself is",
    pages: "Pages",
    now: "Now",
    jobs: "Jobs",
    jump: "Chambers",
    /** @param {string} name */
    open: (name) => `All of ${name}`,
    unit: "Temperatures in",
    celsius: "°C",
    fahrenheit: "°F",
    sign_out: "Sign out",
    no_such_page: "There is no page at this address: another is shown in its place.",
    title_lost: "Out of touch · Stillair",
    title_simulated: "Simulated: ",
    simulated: "Simulated: nothing here is real.",
    recorded: "Recorded: this is not now.",
    /** @param {number} speed */
    speed: (speed) => `Time runs at ${speed} times its speed, so the times shown here ${speed > 1 ? "run ahead of" : "fall behind"} your clock.`,
    not_stored: "Not stored yet: what happens now is shown and sounds, but isn't kept. See whether the disk is full.",
  },

  touch: {
    asking: "Asking how the chamber is …",
    /** @param {string} since */
    lost: (since) => `Out of touch since ${since}: nothing on this page is current.`,
    todo: "It tries again by itself. Until then look at the chamber, and at the board and its network.",
    none: "No answer from the service yet. It tries again by itself.",
    updated: "Stillair was updated; load this page again.",
    updated_how: "What stands here is current, but the page is still the old one.",
    load: "Load it again",
  },

  sound: {
    off: "This page is silent.",
    turn_on: "Turn sound on",
    on: "Sound is on.",
    turn_off: "Turn it off",
    waiting: "Silent until you tap this page once.",
    failed: "This browser makes no sound for this page.",
    fire: "Sounding: fire.",
    attention: "Sounding: look at the alarms.",
    lost: "Sounding: out of touch.",
    test: "Sounding: an alarm test. Nothing is wrong.",
  },

  alarms: {
    heading: "What needs you",
    class: {
      alarm: "Danger",
      supervisory: "Needs a hand",
      trouble: "Trouble with the watch",
      notice: "For you to know",
    },
    /** @param {string} when  @param {string} lasting */
    since: (when, lasting) => `Since ${when} (${lasting})`,
    /** @param {string} when */
    began: (when) => `Began ${when}`,
    unseen: "not yet seen",
    /** @param {string | null} who  @param {string} at */
    seen: (who, at) => ["seen", who && `by ${who}`, at && `at ${at}`].filter(Boolean).join(" "),
    over_unseen: "over, not yet seen",
    over: "Over, not yet seen:",
    /** @param {number} n */
    many_over: (n) => `${n} are over and not yet seen`,
    no_sign_unseen: "no sign of it now, not yet seen",
    /** @param {string} seen  by whom and when */
    no_sign_seen: (seen) => `no sign of it now, ${seen}`,
    /** @param {string} until */
    quiet_until: (until) => `quiet until ${until}`,
    quiet: "quiet",
    not_now: "not now: nothing is being built that it could harm",
    switched_off: "switched off",
    see: "I've seen it",
    /** @param {number} n */
    follows: (n) => (n === 1 ? "This follows from it:" : `These ${n} follow from it:`),
    /** @param {number} n */
    see_all: (n) => `I've seen all ${n}`,
    /** Where a danger stands, which is answered by itself. @param {number} n */
    see_others: (n) => `I've seen the other ${n}`,
    shelve: "Quiet for 3 minutes",
    unshelve: "No longer quiet",
    clear: "Clear it",
    sending: "Sending …",
    not_done: "Not done.",
  },

  quiet: {
    heading: "The door",
    /** @param {number} minutes */
    open: (minutes) => `I'm opening the door for ${minutes} minutes`,
    /** @param {string} until  @param {string} left */
    expected: (until, left) =>
      `The door may be open until ${until}, for ${left} more: door, draft and the heat they cost are quiet. Danger never is.`,
    shut: "I've closed it",
    off: "Switched off",
    off_means: "Nobody is told of these until somebody switches them on again:",
    /** @param {string} who  @param {string} since */
    by: (who, since) => `by ${who}, since ${since}`,
    on: "Switch it on again",
    why: "Why?",
    why_empty: "Write the reason first.",
    switch_off: "Switch this alarm off",
    switch_off_means:
      "Nobody is told of it any more, until somebody switches it on again; it stands in a list on this page. That is for what is broken and can't be mended now. Better mend it.",
    switch_off_yes: "Yes, switch it off",
    switch_off_no: "Leave it on",
    shelve_means: "It is quiet for 3 minutes and comes back by itself.",
    shelve_yes: "Yes, quiet",
    shelve_no: "Leave it",
  },

  job: {
    heading: "Job",
    none: "No job is running.",
    running: "Running",
    paused: "Paused",
    cooling: "Built, cooling down",
    finished: "Done",
    /** @param {string} state  @param {string} when  @param {string} lasting */
    since: (state, when, lasting) => `${state} since ${when} (${lasting})`,
    /** @param {string} machine */
    on: (machine) => `on ${machine}`,
    /** @param {string} height */
    at: (height) => `The part is ${height} high.`,
    height_unknown: "Nobody has told how high the part is.",
    /** @param {string} height */
    reckoned: (height) => `By what is known of it the part is about ${height} high.`,
    nothing_laid: "By its toolpath nothing is being laid at this moment.",
    done: "Job is done",
    done_really:
      "End this job? The cooling is then taken as meant: lost heat, an open door or a draft no longer calls. Danger is watched for as before. An ended job can't be taken up again.",
    done_yes: "Yes, it is done",
    done_no: "Not yet",
    pause: "Pause",
    resume: "Go on",
    note: "Note this moment",
    note_what: "What happens at this moment?",
    note_again: "As before:",
    note_keep: "Keep the note",
    /** @param {string} when  @param {string} text */
    noted: (when, text) => `Noted at ${when}: ${text}`,
    /** @param {string} height */
    note_at: (height) => `at ${height}`,
    all: "The story of this job so far",
    that_job: "That job",
    height: "Tell the height",
    height_what: "Height of the part, in mm",
    height_keep: "That high",
    /** @param {number} most_mm */
    height_wrong: (most_mm) => `Give the height as a number of millimetres from 0 to ${most_mm}, such as 12.4.`,
    /** @param {string} before */
    height_lower: (before) => `The part was ${before} high before. Lower is right only where pieces are built one after another.`,
    /** @param {string} height */
    height_lower_keep: (height) => `Yes, ${height}`,
    note_empty: "Write what happens at this moment first.",
    name_empty: "Write what is being built first.",
    cancel: "Leave it",
    start: "Start a job",
    name: "What is being built",
    material: "Material",
    machine: "Machine",
    toolpath: "Toolpath",
    no_toolpath: "none, or later",
    begin: "It begins now",
    sending: "Sending …",
  },

  section: {
    not_to_scale: "Not to scale.",
    /** @param {number} width_mm  @param {number} height_mm */
    to_scale: (width_mm, height_mm) =>
      `The box is drawn to scale, ${width_mm} mm wide and ${height_mm} mm high inside; what is in it is not.`,
    placed: "Sensors stand where they were put.",
    some_placed: "Sensors stand where they were put, the others where their names say.",
    named: "Sensors stand where their names say.",
    part: "The part's height is known, its shape is not.",
    air_unknown: "air: not known",
    walls: "walls",
    /** @param {string} materials */
    made_of: (materials) => `The walls, from outside: ${materials}.`,
    can_burn: "it can burn",
    wont_burn: "it doesn't burn",
    no_reading: "no reading",
    bed: "bed",
    room: "room",
    target: "target",
    door_shut: ["door:", "shut"],
    door_open: ["door:", "open"],
    door_no_switch: ["door:", "no", "switch"],
    door_not_known: ["door:", "switch", "can't be", "read"],
    door_seems_open: ["door:", "seems", "open"],
    detector_quiet: ["detector:", "quiet"],
    detector_gone: ["detector:", "has gone"],
    detector_not_known: ["detector:", "can't be", "read"],
    not_watched: "Not watched:",
    /** @param {string[]} said */
    alt: (said) => `A cut through the box. ${said.join(", ")}.`,
    materials: /** @type {Record<string, string>} */ ({
      cardboard: "cardboard",
      fabric: "fabric",
      plywood: "plywood",
      mdf: "fibreboard",
      acrylic: "acrylic",
      polycarbonate: "polycarbonate",
      foam: "foam",
      foil_board: "foil board",
      glass: "glass",
      metal: "metal",
      other: "another material",
    }),
  },

  picture: {
    none: "There is no camera.",
    waiting: "No picture yet.",
    /** @param {string} age */
    age: (age) => `Picture, ${age} old.`,
    /** @param {string} age */
    old: (age) => `This picture is ${age} old.`,
    paused: "Picture paused while nobody looks.",
    alt: "Inside the chamber, from the camera.",
    /** @type {Record<string, string>} */
    condition: {
      lost: "The camera is out of touch",
      frozen: "The picture has stopped moving",
      too_small: "The picture is too small",
      dark: "The picture is dark",
      washed_out: "The picture is washed out by light",
      covered: "Something covers the camera's view",
      out_of_focus: "The picture is out of focus",
      moved: "The camera looks elsewhere than it did",
      flickering: "The light in the picture flickers too much",
      slow: "Too few pictures come",
    },
    limits:
      "The camera comes on top of a listed smoke or heat detector and never in its place.",
    /** @param {string} what  @param {string} since  @param {boolean} shown */
    blind: (what, since, shown) => `${what}${since ? ` since ${since}` : ""}.${shown ? " Don't go by this picture." : ""}`,
  },

  evidence: {
    fold: "Picture",
    loading: "Fetching the picture …",
    failed: "The picture couldn't be fetched.",
    none: "No picture of it was kept.",
    coming: "The picture of it is being kept: it comes in a moment.",
    gone: "That picture is not kept any more.",
    moments: "Pictures of before, then and after",
    marked: "then, marked",
    moment: "then",
    /** @param {string} far */
    before: (far) => `${far} before`,
    /** @param {string} far */
    after: (far) => `${far} after`,
    /** @param {string} when */
    told_marked: (when) => `At ${when}, when it was known. What was taken for it is outlined in red.`,
    /** @param {string} when */
    told_moment: (when) => `At ${when}, when it was known.`,
    /** @param {string} when  @param {string} far */
    told_before: (when, far) => `At ${when}, ${far} before it was known.`,
    /** @param {string} when  @param {string} far */
    told_after: (when, far) => `At ${when}, ${far} after it was known.`,
    /** @type {Record<string, string>} */
    alt: {
      marked: "Inside the chamber when it was known, the place outlined.",
      moment: "Inside the chamber when it was known.",
      before: "Inside the chamber before it was known.",
      after: "Inside the chamber after it was known.",
    },
    saw: "What the camera saw:",
    say_nothing: "It was nothing",
    say_still_nothing: "It is still nothing",
    say_so: "It was something after all",
    taken_up: "Look first: after “It was nothing” the camera takes what it sees for the scene.",
    /** @param {string} who  @param {string} when */
    was_nothing: (who, when) => `It was nothing, said ${who} at ${when}.`,
    /** @param {string} who  @param {string} when */
    was_so: (who, when) => `It was something, said ${who} at ${when}.`,
    unchanged: "That is noted; the alarm and every setting stay as they are. In the chamber file:",
    no_setting: "That is noted. No single setting of the camera would have ignored it.",
    not_by_camera: "That is noted. The camera didn't tell it, so none of its settings would have ignored it.",
  },

  stills: {
    heading: "Pictures, by the height of the part",
    /** @param {number} n */
    many: (n) => (n === 1 ? "One picture is kept." : `${n} pictures are kept.`),
    earlier: "Earlier",
    later: "Later",
    at: "Height",
    /** @param {string} high */
    first: (high) => `first layer, ${high}`,
    /** @param {string} high  @param {string} when */
    told: (high, when) => `At ${high}, ${when}.`,
    /** @param {string} high */
    alt: (high) => `Inside the chamber, the part at ${high}.`,
  },

  hour: {
    heading: "Last hour",
    /** Where there is no whole hour. @param {string} lasting */
    short_heading: (lasting) => `Last ${lasting}`,
    also: "Draw also:",
    target: "target",
    loading: "Fetching the last hour …",
    failed: "The last hour couldn't be fetched; the lines begin now.",
    /** @param {string} name  @param {string} low  @param {string} high */
    range: (name, low, high) => `${name} between ${low} and ${high}`,
    alt: "Temperatures of the last hour: ",
    /** @param {string} which */
    beyond: (which) => `Arrows at the edge are readings that can't be true, as far as ${which}.`,
    nothing: "Nothing was read in the last hour.",
    dotted: "Dotted: the last sound job of this part at the same point.",
    /** @param {string} zone */
    zone: (zone) => `Times are of ${zone}.`,
    of_recording: "Times are the recording's own: they don't run as your clock does.",
    of_simulation: "Times are the simulation's own: they don't run as your clock does.",
    /** @param {string} when */
    begins: (when) => `No reading is kept of before ${when}, so this is less than an hour.`,
    /** Short words for the bands of the chart and the marks of the ruler. @type {Record<string, string>} */
    kinds: {
      fire: "fire",
      detector_contact: "detector",
      flame: "flame",
      smoke: "smoke",
      rapid_rise: "rising heat",
      over_temperature: "too hot",
      heat_lost: "heat lost",
      no_motion: "standing still",
      attendance_overdue: "nobody there",
      door_open: "door",
      draft: "draft",
      below_target: "too cool",
      too_warm: "too warm",
      store_fault: "not stored",
      delivery_fault: "not delivered",
      watch_gap: "not watched",
      sensor_fault: "sensor",
      camera_fault: "camera",
      power_fault: "supply",
      board_fault: "board",
      clock_fault: "clock",
      soak_ready: "warm and steady",
      cool_enough: "cool enough",
      pause: "paused",
    },
  },

  stories: {
    heading: "What happened in the last hour",
    none: "There was nothing to tell in the last hour.",
    /** @param {number} n  @param {string} since */
    more: (n, since) => `${n} more like it, since ${since}`,
    until_now: "goes on",
  },

  jobs: {
    heading: "Jobs",
    loading: "Fetching the jobs …",
    none: "No job has been told of yet. Start one on the page Now, or let the machine's own program do it.",
    asking: "Fetching what happened …",
    not_known: "What happened couldn't be fetched.",
    happened: "What happened:",
    /** Where the short word of a chart says too little. @type {Record<string, string>} */
    kinds: {
      detector_contact: "detector gone off",
      no_motion: "machine standing still",
      door_open: "door open",
      sensor_fault: "sensor failed",
      camera_fault: "camera failed",
      power_fault: "supply failed",
      board_fault: "board unwell",
      clock_fault: "clock wrong",
    },
    nothing: "Nothing happened that had to be told.",
    nothing_yet: "Nothing has happened so far that had to be told.",
    simulated: "Simulated, nothing of it was real. ",
    simulated_short: "Simulated. ",
    recorded: "Played from a recording. ",
    /** @param {string} what  @param {number} n */
    often: (what, n) => (n === 1 ? what : n === 2 ? `${what} twice` : `${what} ${n} times`),
    /** @param {string} chamber */
    in: (chamber) => `in ${chamber}`,
    /** @param {number} n */
    more: (n) => `Show ${n} earlier`,
  },

  guessed: {
    unnamed: "A job without a name",
    heading: "Was this a job?",
    guessed: "Nobody said that this job began: heat and motion did.",
    ask: "Give it a name, and mend its times if they are off. If it was none, the owner erases it at the end of this page.",
    name: "Name",
    material: "Material",
    begin: "From",
    end: "To",
    keep: "It was a job: keep it",
  },

  good_jobs: {
    heading: "What good jobs had",
    /** @param {string} low  @param {string} high */
    range: (low, high) => `${low} to ${high}`,
    /** @param {number} sound  @param {string} material */
    alike: (sound, material) => `In nothing that was measured does this job lie outside of ${many(sound, material)}.`,
    /** @param {number} n  @param {number} sound  @param {string} material */
    unlike: (n, sound, material) =>
      n === 1 ? `One thing differs from ${many(sound, material)}:` : `${n === 2 ? "Two" : "Three"} things differ from ${many(sound, material)}:`,
    /** @param {string} said  @param {string} here  @param {string} there */
    here: (said, here, there) => `${said}: ${here} here, ${there} there.`,
    /** @param {number} judged */
    nothing: (judged) => `In ${judged} judged jobs no figure differs between flawed and sound ones by more than chance explains.`,
    /** @param {number} judged */
    goes: (judged) => `In ${judged} judged jobs this goes with flaws, by more than chance explains:`,
    /** @param {string} lasting */
    brief: (lasting) => `This job was over after ${lasting}. In less than ten minutes nothing is built that other jobs could be held against: it is compared with none, and counts for none.`,
    /**
     * @param {string} said  @param {string} here  "" where that isn't known
     * @param {number} flawed  @param {string} bad  @param {number} sound  @param {string} good  @param {"" | "sound" | "flawed"} near
     */
    difference: (said, here, flawed, bad, sound, good, near) =>
      `${said}: here ${here || "not known"}${near && `, as in ${near} jobs`}. Usual were ${bad} in ${flawed} flawed jobs, ${good} in ${sound} sound ones.`,
    /** @param {number} pairs  @param {boolean} more  @param {number} chance */
    pairs: (pairs, more, chance) =>
      ` Of every 100 times that one flawed and one sound job are picked, the flawed one has ${more ? "more" : "less"} in ${pairs}${pairs > chance ? `; by chance alone seldom in more than ${chance}` : ""}.`,
    no_cause:
      "What goes with flaws need not be their cause. Only jobs of this material in this chamber were looked at, and simulated ones never with real ones. It is worked out anew with each job: what came by chance goes again.",
  },

  came_out: {
    ask: "How did the part come out?",
    part: "It came out",
    /** @type {Record<import("./types.js").Outcome, string>} */
    words: { sound: "sound", flawed: "flawed", failed: "failed" },
    /** @param {string} word  @param {string | null} by */
    told: (word, by) => `The part came out ${word}${by ? `, said ${by}` : ""}.`,
  },

  look_back: {
    box: "What this job says of the box",
    take: "Take it along",
    take_or_erase: "Take it along, or erase it",
    loading: "Fetching the job …",
    failed: "This job can't be shown.",
    readings: "Fetching its temperatures …",
    temperatures: "Temperatures of the air",
    alt: "Temperatures during the job: ",
    no_readings: "No readings of this job are kept any more.",
    happened: "What happened, at which height of the part",
    /** @param {string} lasting */
    pause: (lasting) => `Paused for ${lasting}.`,
    /** @param {string} lasting */
    pause_goes_on: (lasting) => `Paused for ${lasting} so far.`,
    /** @param {string} lasting */
    without_cooling: (lasting) => `${lasting} without the cooling`,
    /** @param {string} lasting */
    paused: (lasting) => `, ${lasting} of it paused`,
  },

  foot: {
    safety:
      "Stillair is an aid, not a listed fire or smoke alarm. Fit listed detectors, and never leave a box that can burn alone while it is hot.",
    no_owner: "Nobody owns this service yet, so only this computer reaches it. To let telephones in, make an owner on the page",
    /** @param {string} version */
    version: (version) => `Stillair ${version}.`,
    /** @param {string} name  @param {string} role */
    signed_in: (name, role) => `Signed in as ${name} (${role}).`,
    viewer: "You can see, but not answer alarms or run jobs.",
    /** On paper alone. @param {string} address  @param {string} at */
    printed: (address, at) => `Put on paper ${at}, from ${address}.`,
  },
};
