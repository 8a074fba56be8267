/** What the page says of people, tokens and what was done, of a paused camera, and of erasing. */

export const P = {
  people: "People",
  loading: "Asking who may come in …",
  role: "Role",
  /** @type {Record<string, string>} */
  roles: {
    viewer: "viewer: sees",
    operator: "operator: also runs jobs and answers alarms",
    owner: "owner: may do everything",
  },
  first: {
    heading: "Nobody owns this service yet",
    how: "Whoever owns it decides who else may look in. The code stands where the service was started, on the board's own screen or in its log, and holds for half an hour.",
    code: "Code from the console",
    make: "Make me the owner",
    after: "From then on every page asks for a sign-in.",
    shell: "Or without the code, in a shell on the board:",
  },
  name: "Name",
  password: "Password",
  show: "Show what I type",
  password_how: "At least 12 characters; a few words do well.",
  self: "You",
  own_password: "Change my password",
  old: "Password so far",
  new: "New password",
  keep: "Change it",
  changed: "Changed. Your other sessions have ended.",
  sessions: "Where you have signed in",
  /** @param {string} from  @param {string} began  @param {string} seen */
  session: (from, began, seen) => `From ${from || "an unknown address"}, since ${began}, last used ${seen}.`,
  this_one: "This is here.",
  end: "End it",
  end_others: "End all others",
  who: "Who may come in",
  /** @param {number} n */
  sessions_of: (n) => (n === 0 ? "not signed in" : n === 1 ? "signed in once" : `signed in ${n} times`),
  give_role: "Change the role",
  sign_out: "Sign out everywhere",
  remove: "Remove",
  /** @param {string} name */
  remove_really: (name) => `Remove ${name}? They can't sign in any more, and what they have open closes.`,
  yes_remove: "Yes, remove",
  no: "Leave it",
  add: "Let somebody in",
  add_yes: "Let them in",
  tokens: "Tokens for programs",
  tokens_how: "A machine's own program asks with a token. Give it no more than it needs.",
  no_tokens: "No program has a token.",
  made: "made",
  token_for: "What it is for",
  token_may: "What it may do",
  /** @type {[string, string][]} */
  kinds: [
    ["progress", "tell a height, pause a job and go on"],
    ["jobs", "begin and finish jobs as well, and note"],
    ["read", "only read"],
    ["operator", "all that an operator may"],
    ["owner", "everything"],
  ],
  /** @type {Record<string, string>} */
  scopes: { read: "read", jobs: "begin and finish jobs, note", pause: "pause jobs", progress: "tell the height" },
  /** @param {string} what  @param {string} chamber */
  only: (what, chamber) => `only: ${what}${chamber ? `, in ${chamber}` : ""}`,
  in_chamber: "In which chamber",
  any_chamber: "all of them",
  make_token: "Make a token",
  token_shown: "This is the token, shown this once. Copy it now:",
  /** @param {string} name */
  token_remove: (name) => `Make the token ${name} worthless? The program that has it is refused from then on.`,
  acts: "What was done",
  no_acts: "Nothing is on record yet.",
  by: "by",
  from: "from",

  camera: {
    pause: "Pause the camera",
    how: "No picture is taken, kept or shown meanwhile, and smoke and flame aren't watched for: only heat is. It looks again by itself.",
    /** @param {number} minutes */
    minutes: (minutes) => (minutes < 60 ? `For ${minutes} minutes` : minutes === 60 ? "For an hour" : `For ${minutes / 60} hours`),
    resume: "Look again now",
    /** @param {string} until  @param {string} who */
    paused: (until, who) => `The camera is paused${who ? ` ${who}` : ""} until ${until}. Smoke and flame aren't watched for.`,
    no: "Leave it on",
  },

  erase: {
    heading: "Erase",
    pictures: "Erase its pictures and films",
    pictures_really: "Erase all pictures and films of this job, those of its events too? They can't be had back. Backups made before still hold them: the nightly ones for three more nights, copies elsewhere until somebody deletes them.",
    job: "Erase this job",
    job_really:
      "Erase this job with its pictures, films, temperatures, notes and events? It can't be had back, and is no longer compared with others. Backups made before still hold it: the nightly ones for three more nights, copies elsewhere until somebody deletes them.",
    yes: "Yes, erase for ever",
    no: "Keep it",
    done: "The pictures and films are erased.",
  },
};
