// What holds houses up: where the time of the next week goes, and who or what everybody waits for.

import { json } from "../request.js";
import { day, length } from "./dates.js";
import { element } from "./dom.js";
import { table, timeSpent } from "./loads.js";
import { open } from "./panel.js";
import { counted } from "./words.js";

/** @typedef {import("./model.js").Model} Model */
/** @typedef {{name: string, waited_minutes: number, jobs: number, hours_minutes: number, work_minutes: number, road_minutes: number}} CrewLoad */
/** @typedef {{name: string, units: number, waited_minutes: number, jobs: number, used_minutes: number, usable_minutes: number}} GearLoad */
/** @typedef {{from: number, until: number, jobs: number, told: string[], reasons: import("./loads.js").TimeSpent[], crews: CrewLoad[], equipment: GearLoad[]}} Bottlenecks */

/** @param {{waited_minutes: number, jobs: number}} load */
function waited(load) {
  return load.jobs > 0 ? `${counted(load.jobs, "house")}, ${length(load.waited_minutes)}` : "nobody";
}

/**
 * The week to come, in the panel.
 * @param {Model} model
 */
export async function showBottlenecks(model) {
  const { body, isOpen } = open("What holds houses up");
  body.append(element("p", "aside", "Looking at the next week …"));
  /** @type {Bottlenecks} */
  let found;
  try {
    found = await json("GET", "/v1/board/bottlenecks");
  } catch (error) {
    body.replaceChildren(element("p", "aside", error instanceof Error ? error.message : "That could not be looked up."));
    return;
  }
  if (!isOpen()) {
    return;
  }
  const zone = model.board.time_zone;
  const made = [element("p", "aside", `From ${day(found.from, zone)} until ${day(found.until - 1, zone)}: ${counted(found.jobs, "house")}. Waits count nights too.`)];
  made.push(...found.told.map((sentence, place) => element("p", place === 0 ? "sum-up" : "", sentence)));
  made.push(timeSpent(found.reasons));
  if (found.crews.length > 0) {
    made.push(table(["Crew", "Who waits for it"], found.crews.map((crew) => ({
      name: crew.name, told: waited(crew), part: crew.work_minutes + crew.road_minutes, whole: crew.hours_minutes,
    }))));
    made.push(element("p", "aside", "Share: of its hours at work or on the road."));
  }
  if (found.equipment.length > 0) {
    made.push(table(["Gear", "Who waits for it"], found.equipment.map((kind) => ({
      name: `${kind.units} × ${kind.name}`, told: waited(kind), part: kind.used_minutes, whole: kind.usable_minutes,
    }))));
    made.push(element("p", "aside", "Share: in use while any crew is at work."));
  }
  body.replaceChildren(...made);
}
