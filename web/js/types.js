/**
 * The shapes in which the service answers; see `/api/openapi.json`.
 * Instants `_at` are RFC 3339 UTC, temperatures `_c` degrees Celsius, heights `_mm`.
 *
 * @typedef {"calm" | "good" | "caution" | "danger" | "trouble"} Tone
 *
 * @typedef {object} Sensor
 * @property {string} name
 * @property {"chamber" | "room" | "bed" | "electronics"} place
 * @property {number | null} temperature_c
 * @property {string | null} at
 * @property {string | null} fault
 * @property {number | null} expected_c  what its next reading should be; only in the chamber's air
 * @property {number | null} u_k  one standard deviation of that
 * @property {[number, number] | null} [drawn_at]  where it was placed: from the left wall and from the floor, in shares
 * @property {number} off_k  how far it lately was above (below: negative) what was expected; 0: it wasn't
 *
 * @typedef {object} Switch
 * @property {string} name
 * @property {"door" | "detector" | "presence" | "heater" | "supply" | "reset"} kind
 * @property {boolean | null} active  true when off-normal, null when it can't be read
 * @property {string} reason
 *
 * @typedef {object} Camera
 * @property {boolean} watched
 * @property {"fit" | "lost" | "frozen" | "too_small" | "dark" | "washed_out" | "covered" | "out_of_focus" | "moved" | "flickering" | "slow" | "paused" | "none"} condition
 * @property {string} reason
 * @property {string | null} since_at
 * @property {string | null} paused_until_at  when it looks again by itself
 *
 * @typedef {object} Job
 * @property {string} id
 * @property {string} chamber
 * @property {string} name
 * @property {string} material
 * @property {string} machine
 * @property {string} notes
 * @property {"running" | "paused" | "cooling" | "finished"} state
 * @property {string} started_at
 * @property {string | null} finished_at
 * @property {number | null} height_mm
 * @property {number} paused_s
 * @property {string | null} paused_since_at
 * @property {Pause[]} [pauses]  asked for one job alone
 * @property {string | null} [toolpath]  the id of what it followed; asked for one job alone
 * @property {"real" | "recorded" | "simulated" | null} origin
 * @property {boolean} brought  from another board, or from before
 * @property {boolean} guessed  nobody announced it, and nobody has confirmed it
 * @property {Outcome | null} outcome
 * @property {string | null} outcome_by
 * @property {string | null} outcome_at
 * @property {"person" | "pieces" | null} outcome_from  said itself, or as its worst piece
 * @property {Diagnosis | null} diagnosis
 *
 * @typedef {object} Whole  a toolpath in a few figures; null where its file doesn't say
 * @property {number} duration_s
 * @property {number} height_mm
 * @property {number} layers
 * @property {(number | null)[]} nozzle_c  on the first layer, on the rest
 * @property {(number | null)[]} bed_c
 * @property {number[]} footprint_mm  lowest X and Y, highest X and Y
 * @property {number} longest_run_mm
 * @property {number} pieces
 * @property {boolean} spiral
 * @property {string[]} warnings
 *
 * @typedef {object} Toolpath
 * @property {string} id
 * @property {string} name
 * @property {string} chamber
 * @property {"waiting" | "ready" | "refused"} state
 * @property {string} at
 * @property {number | null} share  while it is being read
 * @property {Whole | null} whole
 * @property {{line: number | null, reason: string} | null} refused
 * @property {string[]} jobs
 *
 * @typedef {object} Remark  one thing that commonly spoils such a job
 * @property {string} rule
 * @property {string} text
 * @property {string[]} helps
 * @property {[number, number][]} heights_mm
 *
 * @typedef {object} Before
 * @property {Remark[]} items
 *
 * @typedef {object} LayerColumns  an entry a layer
 * @property {number[]} height_mm
 * @property {number[]} start_s
 * @property {number[]} end_s
 * @property {number[]} least_time_s
 * @property {number[]} fan_share
 *
 * @typedef {object} Outline
 * @property {string[]} rows  from low to high Y, "1" with road
 *
 * @typedef {object} Pause
 * @property {string} from_at
 * @property {string | null} to_at
 * @property {number | null} height_mm
 *
 * @typedef {"sound" | "flawed" | "failed"} Outcome
 *
 * @typedef {object} JobLog  how a job was prepared; null is what nobody has said
 * @property {string | null} batch
 * @property {number | null} dried_h
 * @property {number | null} dried_c
 * @property {number | null} humidity_percent
 * @property {string | null} hold
 * @property {string | null} held_since
 * @property {string | null} brim
 * @property {number | null} fan_percent
 * @property {number | null} nozzle_c
 * @property {number | null} bed_c
 * @property {string | null} toolpath
 *
 * @typedef {object} Flaw
 * @property {string} kind
 * @property {number | null} height_mm
 * @property {string | null} place
 * @property {string} text
 *
 * @typedef {object} Piece
 * @property {number} number
 * @property {string | null} place
 * @property {Outcome | null} outcome
 * @property {Flaw[]} flaws
 *
 * @typedef {object} LogSaid
 * @property {string} job
 * @property {string | null} by
 * @property {JobLog} log
 * @property {Piece[]} pieces
 * @property {Outcome | null} worst
 * @property {{job: string, name: string, log: Partial<JobLog>} | null} last_time
 *
 * @typedef {object} Unsaid  a job that is over, and nobody has said how it came out
 * @property {string} id
 * @property {string} name
 * @property {string} finished_at
 *
 * @typedef {object} Diagnosis
 * @property {string} text     what is otherwise than in earlier jobs, or nothing
 * @property {string} figures  one sentence
 *
 * @typedef {object} LastSound  the air against the last sound job of the same part
 * @property {string} job
 * @property {string} text
 *
 * @typedef {object} Told  one event; seconds from the job's start
 * @property {string} kind
 * @property {string} subject
 * @property {number} onset_s
 * @property {number | null} end_s
 *
 * @typedef {object} Difference
 * @property {"new" | "gone" | "changed" | "same"} what
 * @property {Told | null} before
 * @property {Told | null} after
 *
 * @typedef {object} Alarm
 * @property {string} id
 * @property {string} kind
 * @property {"alarm" | "supervisory" | "trouble" | "notice"} class
 * @property {"critical" | "high" | "medium" | "low"} priority
 * @property {string} annunciation
 * @property {"none" | "shelved" | "suppressed_by_design" | "out_of_service"} suppression
 * @property {boolean} condition
 * @property {number} event
 * @property {string} raised_at
 * @property {string} began_at  since when it has been what it is called
 * @property {string} text
 * @property {string | null} [leaving]  said instead of `text` while its cause is away
 * @property {string | null} acknowledged_by
 * @property {string | null} acknowledged_at
 * @property {string | null} shelved_until
 * @property {boolean} blind  It stands because nobody can show its end
 * @property {string} chamber
 * @property {string} subject  the sensor, route or store; or nothing
 * @property {string | null} [cause_alarm]  from which it follows
 *
 * @typedef {object} Opening
 * @property {string | null} until_at
 *
 * @typedef {object} OutOfService
 * @property {string} kind
 * @property {string} subject
 * @property {string} title
 * @property {string} by
 * @property {string} since_at
 * @property {string} reason
 *
 * @typedef {object} Story
 * @property {number} event
 * @property {string} kind
 * @property {string} class
 * @property {string} change
 * @property {string} onset_at
 * @property {string | null} [began_at]  since when it has been what it is called
 * @property {string | null} end_at
 * @property {number | null} height_mm
 * @property {string[]} [sensors]  that showed it
 * @property {string} text
 *
 * @typedef {object} KeptPicture
 * @property {string} id
 * @property {"marked" | "moment" | "before" | "after" | "still"} part
 * @property {string | null} [kind]  of its event
 * @property {string} at
 * @property {number | null} height_mm
 * @property {number | null} offset_s  from the moment at which the event was known
 * @property {"real" | "recorded" | "simulated" | null} origin
 * @property {{sign: string, strength: number, regions: number[][], share: number | null}[]} saw
 *
 * @typedef {object} Film
 * @property {string} id
 * @property {string} chamber
 * @property {"clip" | "time_lapse"} part
 * @property {string | null} kind  of the event that it shows above all
 * @property {number | null} event
 * @property {number[]} events
 * @property {{event: number, kind: string, at: string, film_s: number}[]} moments
 * @property {string} start_at
 * @property {string} end_at
 * @property {number} length_s
 * @property {number} size_bytes
 * @property {{start_at: string, end_at: string | null}[]} paused  times at which the camera was
 * @property {"making" | "kept" | "lost" | "paused"} state
 * @property {string} why  there is none, or why it ends early
 * @property {"real" | "recorded" | "simulated"} origin
 *
 * @typedef {object} Ignoring  a setting that would have kept an event from being told
 * @property {string} setting
 * @property {string} text
 *
 * @typedef {object} Evidence
 * @property {string} saw
 * @property {{sign: string}[]} signs
 * @property {KeptPicture[]} pictures
 * @property {boolean} coming  pictures are still being kept
 * @property {{false: boolean, note: string, by: string, at: string} | null} judged
 * @property {Ignoring[]} settings
 * @property {string} warning
 *
 * @typedef {object} Note
 * @property {number} seq
 * @property {string} at
 * @property {string} text
 * @property {string} by
 * @property {number | null} height_mm
 *
 * @typedef {object} Stop  what stops the machine; only `set_up` where nothing does
 * @property {boolean} set_up
 * @property {"ready" | "counting" | "held" | "stopped"} phase
 * @property {string} since_at
 * @property {string | null} until_at  the end of the countdown
 * @property {number} countdown_s
 * @property {("fire" | "detector" | "attendance")[]} on
 * @property {string} cause  a kind of alarm, "person" or "trial"
 * @property {string} by
 * @property {string} outputs
 * @property {boolean} has_button  at the machine, to let it run again
 * @property {boolean} may_reset
 * @property {string | null} tried_at
 * @property {boolean | null} tried_worked
 * @property {string} tried_by
 * @typedef {object} Attendance
 * @property {boolean} asks  false: it is set so that nobody is asked
 * @property {boolean} needed
 * @property {string} person  who is near, "" where that isn't known
 * @property {string | null} confirmed_at
 * @property {string | null} due_at
 * @property {number} stage  0: not due; 1 to 4 as it climbs
 * @property {string | null} overdue_since_at
 * @property {string | null} left_at
 * @property {string} to  who was asked to take over
 * @property {string[]} people
 * @property {boolean} can_leave
 * @property {{job: string, by: string, reason: string, since_at: string} | null} unattended
 *
 * @typedef {object} Chamber
 * @property {string} chamber
 * @property {string} name
 * @property {string} at
 * @property {string} sentence
 * @property {string} sub
 * @property {Tone} tone
 * @property {boolean} calm
 * @property {string} phase
 * @property {number | null} target_c
 * @property {number} limit_c
 * @property {number | null} room_c
 * @property {string[]} enclosure
 * @property {number | null} width_mm   inside
 * @property {number | null} depth_mm   inside
 * @property {number | null} height_mm  inside
 * @property {boolean} combustible
 * @property {boolean} simulated
 * @property {boolean} recorded
 * @property {number} speed
 * @property {Sensor[]} sensors
 * @property {Switch[]} contacts
 * @property {Camera} camera
 * @property {string[]} not_watched
 * @property {Job | null} job
 * @property {LastSound | null} last_sound
 * @property {Unsaid | null} unsaid
 * @property {Alarm[]} alarms
 * @property {Opening | null} [opening]
 * @property {OutOfService[]} [out_of_service]
 * @property {Story[]} stories
 * @property {Sounding} sounding
 * @property {Stop} stop
 * @property {Attendance | null} attendance  null where the box can't burn
 *
 * @typedef {"silent" | "attention" | "test" | "fire"} Sounding
 *
 * @typedef {object} RouteTried
 * @property {string} person
 * @property {string} route
 * @property {string} spoken  as people call it
 * @property {boolean} arrived
 * @property {"heard" | "silent" | "nothing" | null} heard
 * @property {string} text  what became of its message
 *
 * @typedef {object} AlarmTest
 * @property {number | null} seq
 * @property {string} id
 * @property {string} chamber
 * @property {string} at
 * @property {string} by
 * @property {boolean} scheduled
 * @property {"running" | "done" | "ended" | "cut_off"} phase
 * @property {string} text
 * @property {string[]} steps
 * @property {string} sounder
 * @property {string} stop
 * @property {RouteTried[]} routes
 *
 * @typedef {object} Tested  what the last alarm test of a chamber says
 * @property {string} chamber
 * @property {boolean} ready
 * @property {string} text
 * @property {boolean} running
 * @property {boolean} sounder
 * @property {{person: string, quiet: boolean, routes: string[]}[]} people
 * @property {AlarmTest | null} test
 *
 * @typedef {object} Now
 * @property {{ready: boolean, text: string, chambers: Tested[]}} alarm_test
 * @property {string} version
 * @property {string} at
 * @property {boolean} stored
 * @property {boolean} owner
 * @property {Chamber[]} chambers
 * @property {Record<string, string>} elsewhere  names of chambers that nobody watches here, by key
 * @property {Hall} [hall]  where this is the page of many boards, and no chamber is watched here
 *
 * @typedef {object} Hall  all chambers of many boards, in numbers
 * @property {string} name
 * @property {number} revision  grows with each change of a chamber
 * @property {number} jobs  grows when a job begins, or is another than before
 * @property {boolean} heard  whether the broker is there
 * @property {string} why
 * @property {string | null} lost_at
 * @property {Record<string, number>} counts  chambers by their standing
 * @property {number} settling  of those not calm, how many are so only as it is too soon to say
 * @property {number} awaited  of those not calm, how many have not been heard since the broker was reached
 * @property {"silent" | "fire" | "attention"} sounding
 * @property {number} strangers  messages of nobody that is known
 * @property {number} refused
 * @property {boolean} answers  whether boards obey
 * @property {number} people
 * @property {number} keep_days  how long readings are kept
 * @property {{reason: string, behind_s: number | null} | null} past  what ails the copy that pages read
 * @property {({subject: string, text: string, since_at: string} & HallOwn)[]} troubles
 *
 * @typedef {object} HallOwn  an alarm that no board tells, but the hall itself
 * @property {string | null} alarm  its id; null while people aren't told of it
 * @property {string | null} seen_by
 *
 * @typedef {object} HallRow  one chamber in a line
 * @property {string} chamber
 * @property {string} board
 * @property {string} name
 * @property {string} place  where its board is, in words; "" where nobody has said
 * @property {boolean} simulated
 * @property {"danger" | "alarm" | "out_of_reach" | "heed" | "building" | "calm" | "ended"} standing
 * @property {"heard" | "silent" | "stuck" | "unheard" | "ended"} reach
 * @property {boolean} awaited  heard before the broker was away, and not since
 * @property {string | null} since_at
 * @property {string | null} last_at
 * @property {string | null} stopped_at  when its service was stopped, of reach "ended"
 * @property {string} stopped_while  what went on there, in a clause; "" where all was calm
 * @property {string} sentence
 * @property {string} needs  why it needs a hand, where the sentence doesn't say so
 * @property {string} tone
 * @property {number | null} air_c
 * @property {{id: string, name: string, material: string, state: string, height_mm: number | null} | null} job
 * @property {number} alarms
 * @property {number} misread  messages of its board that nobody understands
 *
 * @typedef {object} HallOrder
 * @property {string} order
 * @property {string} alarm  as its board calls it
 * @property {"sent" | "done" | "refused" | "unanswered"} state
 * @property {string} reason
 *
 * @typedef {object} HallNow  what a board has told of a chamber
 * @property {string} at  by the board's clock
 * @property {string} sentence
 * @property {string} sub
 * @property {Tone} tone
 * @property {number | null} target_c
 * @property {{id: string, name: string, material: string, height_mm: number | null, started_at: string} | null} job
 * @property {Sensor[]} sensors
 * @property {string[]} not_watched
 *
 * @typedef {object} HallAll
 * @property {HallNow | null} now
 * @property {Alarm[]} alarm_items
 * @property {HallOrder[]} orders
 * @property {number} lacking  alarms that stand and have not come
 * @property {string} misread_why
 * @property {HallOwn} reach_alarm
 * @property {HallOwn} misread_alarm
 *
 * @typedef {HallRow & HallAll} HallChamber
 *
 * @typedef {object} Who
 * @property {string} name
 * @property {"viewer" | "operator" | "owner"} role
 * @property {string | null} [page]  the newest version of these pages
 *
 * @typedef {object} Columns
 * @property {number[]} time_s  seconds since the epoch, increasing
 * @property {Record<string, (number | null)[]>} sensors
 *
 * @typedef {object} Between  what other jobs kept between, in columns of one length
 * @property {number[]} time_s
 * @property {Record<string, {low: (number | null)[], high: (number | null)[]}>} sensors
 *
 * @typedef {object} Beside  what a job is held against, along its own time
 * @property {"layer" | "steady" | "start"} aligned  the moment that falls together
 * @property {boolean} many
 * @property {{id: string, started_at: string}[]} jobs
 * @property {number[]} time_s
 * @property {Record<string, {low: (number | null)[], high: (number | null)[]}>} sensors
 *
 * @typedef {object} Stage
 * @property {"warming" | "soaking" | "building" | "paused" | "cooling" | "unknown"} stage
 * @property {string} from_at
 * @property {string | null} to_at  null while it goes on
 *
 * @typedef {object} Stretch
 * @property {string} from_at
 * @property {string | null} to_at
 *
 * @typedef {object} Stages
 * @property {Stage[]} stages
 * @property {Stretch[]} camera_paused
 *
 * @typedef {object} HeightPin  what a person remembers
 * @property {number} pin
 * @property {string} at
 * @property {string} seen_at
 * @property {number} height_mm
 * @property {string} by
 * @property {boolean} doubtful
 *
 * @typedef {object} Heights  when which height of a job was laid, in columns
 * @property {"toolpath" | "told" | "nothing"} by
 * @property {string | null} toolpath
 * @property {number[]} height_mm
 * @property {number[]} start_at  seconds since the epoch
 * @property {number[]} end_at
 * @property {number[]} uncertainty_s
 * @property {number[]} piece
 * @property {number} posts
 * @property {number} left_out
 * @property {{at: string, height_mm: number}[]} odd  the first of those left out
 * @property {number} unlaid  layers of the toolpath, the last ones, to which the job did not come
 * @property {"" | "heights" | "duration"} doubt  by what the toolpath may be another job's
 * @property {HeightPin[]} pins
 *
 * @typedef {object} WeatherStretch  layers `first` to `last`, both included, that differ from the rest
 * @property {number} first
 * @property {number} last
 * @property {number} from_mm
 * @property {number} to_mm
 * @property {number} piece
 * @property {"cold" | "hot" | "not_firm"} side
 * @property {number} at  the layer that differs most
 * @property {number} by_k
 * @property {boolean} is_sure
 * @property {string} text
 * @property {string[]} because
 *
 * @typedef {object} Weathered  each layer's own weather, an entry a layer; null: nothing can be said
 * @property {string} material
 * @property {number[]} height_mm
 * @property {number[]} piece
 * @property {number[]} start_s  seconds since the epoch
 * @property {number[]} end_s
 * @property {number[]} uncertainty_s
 * @property {(number | null)[]} air_c
 * @property {(number | null)[]} lowest_c
 * @property {(number | null)[]} below_c  of the layer below when this one came
 * @property {(number | null)[]} below_low_c
 * @property {(number | null)[]} below_high_c
 * @property {(number | null)[]} limit_low_c  of the job's own undisturbed layers
 * @property {(number | null)[]} limit_high_c
 * @property {(number | null)[]} off_k  against those
 * @property {(number | null)[]} off_low_k
 * @property {(number | null)[]} off_high_k
 * @property {(number | null)[]} joint_s  above `firm_c`
 * @property {(number | null)[]} joint_low_s
 * @property {(number | null)[]} joint_high_s
 * @property {("cold" | "hot" | "not_firm" | null)[]} mark
 * @property {boolean[]} is_undisturbed
 * @property {number} usual_air_c
 * @property {number | null} band_k  differences up to this are usual; null: too few layers to say
 * @property {number} firm_c
 * @property {WeatherStretch[]} stretches
 *
 * @typedef {object} Then  one time at which a height was laid
 * @property {number} height_mm
 * @property {number | null} layer
 * @property {number} piece
 * @property {string} start_at
 * @property {string} end_at
 * @property {number} uncertainty_s
 * @property {string} from_at  as early as it may have been
 * @property {string} to_at
 * @property {number} low_mm
 * @property {number} high_mm
 * @property {Story[]} events
 *
 * @typedef {"c" | "f"} Unit
 */

export {};
