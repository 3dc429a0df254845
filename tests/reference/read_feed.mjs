// Print what ical.js reads from the iCalendar text on standard input, as JSON.
// Usage: node read_feed.mjs FOLDER_OF_ICAL_JS < feed.ics
import { readFileSync } from "node:fs";
import { join } from "node:path";
import { pathToFileURL } from "node:url";

const { default: ICAL } = await import(pathToFileURL(join(process.argv[2], "dist", "ical.js")));

const moment = (time) => (time.isDate ? time.toString() : time.toJSDate().toISOString());
const text = (event, name) => event.getFirstPropertyValue(name) ?? "";

const calendar = new ICAL.Component(ICAL.parse(readFileSync(0, "utf8")));
const events = calendar.getAllSubcomponents("vevent").map((event) => ({
  uid: text(event, "uid"),
  summary: text(event, "summary"),
  location: text(event, "location"),
  description: text(event, "description"),
  start: moment(event.getFirstPropertyValue("dtstart")),
  end: moment(event.getFirstPropertyValue("dtend")),
}));
process.stdout.write(JSON.stringify(events));
