// Choosing a target, a station, a contact: the same way on every screen.

import {make, put} from "./dom.js";
import {get, now} from "./service.js";
import {DAY, clock, day} from "./times.js";

/** A labelled select that calls `changed` with its value. */
export function picker(label, changed) {
  const select = make("select", {onchange: () => changed(select.value)});
  const element = make("label", {}, label, select);
  return {
    element,
    get value() {
      return select.value;
    },
    /** Offer [value, text] pairs; keeps the wanted one, or the present one, if it is among them. */
    offer(options, wanted = select.value) {
      put(select, options.map(([value, text]) => make("option", {value}, text)));
      if (options.some(([value]) => value === wanted)) select.value = wanted;
      return select.value;
    },
  };
}

/** Contacts of a target from a day ago on, as [value, text] pairs; the value is AOS. */
export async function contactsOf(target, station) {
  const from = new Date(now() - DAY / 4).toISOString();
  const contacts = await get("/contacts", {target, station: station || null, from, limit: 400});
  return contacts.map((each) => {
    const aos = Date.parse(each.aos);
    const where = station ? "" : ` ${each.station},`;
    return {contact: each, value: `${each.aos}|${each.station}`, text: `${day(aos).slice(5)} ${clock(aos, false)}${where} ${Math.round(each.max_elevation_deg)}°`};
  });
}
