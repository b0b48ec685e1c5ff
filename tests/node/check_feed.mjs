// Reads our feeds with npm ical.js and compares every event with what the sample says in UTC. The reader has no zone
// data of its own: it goes by the feed's VTIMEZONE alone.
//
//   cargo run -q --example feed_sample | node tests/node/check_feed.mjs

import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import ICAL from "ical.js";

const samples = JSON.parse(readFileSync(0, "utf8"));
assert.ok(samples.length >= 5, "too few samples");
const seconds = (text) => Date.parse(text) / 1000;

for (const { zone, feed, events } of samples) {
  ICAL.TimezoneService.reset();
  const calendar = ICAL.Component.fromString(feed);
  ICAL.TimezoneService.register(calendar.getFirstSubcomponent("vtimezone"));
  const found = calendar.getAllSubcomponents("vevent").map((component) => new ICAL.Event(component));
  assert.equal(found.length, events.length, zone);
  let local = 0;
  found.forEach((event, index) => {
    const expected = events[index];
    const where = `${zone} ${expected.uid}`;
    for (const name of ["uid", "summary", "description", "location", "sequence"]) {
      assert.equal(event[name], expected[name], where);
    }
    assert.equal(event.component.getFirstPropertyValue("status"), expected.status, where);
    assert.deepEqual(event.component.getFirstProperty("categories").getValues(), expected.categories, where);
    for (const [time, utc] of [[event.startDate, expected.start], [event.endDate, expected.end]]) {
      assert.notEqual(time.zone, ICAL.Timezone.localTimezone, `${where} floats`);
      local += time.zone !== ICAL.Timezone.utcTimezone;
      assert.equal(time.toUnixTime(), seconds(utc), `${where}: ${time} is not ${utc}`);
    }
  });
  console.log(`${zone}: ${events.length} events, ${local} local and ${2 * events.length - local} UTC times agree`);
}
