// Shapes of `GET /v1/board` and what the board makes of it. Instants are whole minutes since 1970-01-01T00:00Z.

/** @typedef {[number, number]} Span from a minute until another */

/**
 * @typedef {object} Pin
 * @property {string} step
 * @property {string} [crew]
 * @property {string} [start]
 * @property {string} [not_before]
 * @property {string} [day]
 */

/**
 * @typedef {object} Crew
 * @property {string} key
 * @property {string} name
 * @property {number} people
 * @property {Span[]} works
 * @property {Span[]} overtime
 * @property {Span[]} away
 * @property {[number, number, number][]} short
 */

/**
 * @typedef {object} House
 * @property {string} key
 * @property {string} name
 * @property {string | null} address
 * @property {string} time_zone
 * @property {number | null} region
 * @property {Span[]} closed
 * @property {Span[]} shut
 */

/**
 * @typedef {object} Job
 * @property {string} key
 * @property {string} name
 * @property {number} house
 * @property {boolean} [on_hold]
 * @property {number | null} due
 * @property {number | null} finish
 * @property {number} late_minutes
 * @property {number} version
 */

/**
 * @typedef {object} Step
 * @property {number} job
 * @property {string} key
 * @property {string} name
 * @property {string} kind
 * @property {"unplanned" | "planned" | "running" | "done"} state
 * @property {number} [crew]
 * @property {Span[]} [pieces]
 * @property {boolean} [presumed]
 * @property {boolean} [extra]
 * @property {Pin} [pin]
 * @property {string} [moved_because]
 * @property {{crew: number, start: number, finish: number, failed: boolean}[]} [tries]
 * @property {{what: string, cure: string}} [unplaced]
 */

/**
 * @typedef {object} Wait
 * @property {number} from
 * @property {number} to
 * @property {"dwell" | "drying" | "pause" | "window"} kind
 * @property {number} start
 * @property {number | null} ready
 * @property {number} [latest]
 * @property {number} [end]
 * @property {boolean} [lapses]
 * @property {boolean} [keep_off]
 * @property {boolean} [overnight]
 * @property {string} [film]
 */

/**
 * @typedef {object} Region
 * @property {string} key
 * @property {string} name
 * @property {number} start
 * @property {number[]} temp_deci_c
 * @property {number[]} rh_percent
 * @property {number | null} forecast_until
 * @property {{temp_min_deci_c: number, rh_max_percent: number, steps: number} | null} limits
 * @property {Span[]} cold
 * @property {Span[]} damp
 */

/**
 * @typedef {object} Board
 * @property {string} company
 * @property {string} time_zone
 * @property {{date: string, start: number}[]} days
 * @property {number} until
 * @property {number} now
 * @property {number} frozen_until
 * @property {{id: string, number: number, draft: boolean, published_at: number | null} | null} plan
 * @property {{waiting: number, proposal: string | null, trouble: string | null}} repairs
 * @property {Crew[]} crews
 * @property {House[]} houses
 * @property {Job[]} jobs
 * @property {Step[]} steps
 * @property {Wait[]} waits
 * @property {Region[]} regions
 */

/**
 * @typedef {object} Chance
 * @property {string} job
 * @property {number | null} in_time_percent
 * @property {string | null} finish_percent_95
 * @property {string | null} driver
 */

/**
 * What a cell of the grid stands for: one piece of a step, or where the days are narrow all pieces of a day.
 * @typedef {object} Cell
 * @property {string} id the same after the board is loaded again
 * @property {number} step place in the board's steps; of several, the first
 * @property {number[]} steps all of them, by start
 * @property {number} start
 * @property {number} end
 * @property {number} lane from 0
 * @property {number} lanes how many share the height
 * @property {"work" | "try"} what
 */

/**
 * @typedef {object} Row
 * @property {string} id the same after the board is loaded again
 * @property {"crew" | "job"} kind
 * @property {number} index place in the board's crews or jobs
 * @property {Cell[]} cells by start
 * @property {Cell[]} days the same, a cell a day
 * @property {number[]} waits places in the board's waits
 * @property {string} text what is searched, in lower case
 */

/**
 * A step of the plan in another place, as a question's answer has it.
 * @typedef {object} Ghost
 * @property {string} job key
 * @property {string} step key
 * @property {string | null} crew key; null: it has no place
 * @property {number} start
 * @property {number} end
 */

export {};
