'use strict';

// Usage: node calendar.js '[{"id": …, "summary": …, "categories": […], "start": …, "end": …, "zone": …, …}, …]'
//
// Writes the given events with npm ical-generator 10.2.0 as one RFC 5545 file to stdout. Times of an event with a zone
// are wall clock times there, as 2026-01-05T19:00:00; others are instants, with a Z. The library writes a time with a zone
// as the parts that its Date shows on this machine, so that any TZ will do for those, and UTC for all.

const { default: ical, ICalEventRepeatingFreq } = require('ical-generator');

function main(events) {
  const calendar = ical({ name: 'Written by another library', prodId: '//asleft//interop//EN' });
  for (const given of events) {
    const event = calendar.createEvent({
      id: given.id,
      summary: given.summary,
      start: new Date(given.start),
      end: new Date(given.end),
      timezone: given.zone || null,
      allDay: given.allDay || false,
      status: given.status || null,
      recurrenceId: given.replaces ? new Date(given.replaces) : null,
    });
    for (const name of given.categories) event.createCategory({ name });
    if (given.repeats) {
      const { frequency, until, exclude, ...rest } = given.repeats;
      event.repeating({
        ...rest,
        freq: ICalEventRepeatingFreq[frequency],
        ...(until ? { until: new Date(until) } : {}),
        ...(exclude ? { exclude: exclude.map((text) => new Date(text)) } : {}),
      });
    }
  }
  process.stdout.write(calendar.toString());
}

main(JSON.parse(process.argv[2]));
