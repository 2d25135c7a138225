// Handover: what the next shift must know, to read out, to print as it stands, or to take as PDF.

import {make, put} from "../dom.js";
import {mark} from "../marks.js";
import {picker} from "../pickers.js";
import {get, now, on, send, service} from "../service.js";
import {HOUR, clock, full, length, noLater, parse, safely} from "../times.js";

const SECTIONS = [
  ["open", "Open", "Nothing is open."],
  ["decisions", "Decisions in the next shift", "Nothing to decide."],
  ["routine", "Routine in the next shift", "Nothing is coming."],
  ["known", "Known", "No sequence is configured."],
  ["changed", "Changed", "Nothing changed."],
  ["decided", "Decided and done", "Nothing was decided."],
];
const LENGTHS = [["4", "4 h"], ["8", "8 h"], ["12", "12 h"], ["24", "24 h"], ["72", "3 days"]];

export function enter(place, query) {
  const state = {turn: 0};
  const past = picker("The shift that ends began", () => load());
  past.offer(LENGTHS.map(([value, text]) => [value, `${text} ago`]), query.get("since") ?? "8");
  const ahead = picker("The next one lasts", () => load());
  ahead.offer(LENGTHS, query.get("next") ?? "8");
  const pdf = make("a", {class: "button", target: "_blank", rel: "noopener"}, "PDF");
  const print = make("button", {type: "button", onclick: () => window.print()}, "Print this");
  const sheet = make("article", {class: "sheet handover"});
  put(place, make("h1", {class: "unseen"}, "Shift handover"),
    make("div", {class: "tools"}, past.element, ahead.element, print, pdf), sheet);

  async function load() {
    const mine = ++state.turn;
    const at = noLater(service.knownAt ? parse(service.knownAt) : now());
    const asked = {
      since: new Date(at - Number(past.value) * HOUR).toISOString(),
      until: new Date(at + Number(ahead.value) * HOUR).toISOString(),
      ...(service.knownAt ? {known_at: service.knownAt} : {}),
    };
    pdf.href = `/api/v1/sheets/handover?${new URLSearchParams(asked)}`;
    try {
      const found = await get("/handover", asked);
      if (mine === state.turn) put(sheet, told(found, load));
    } catch (problem) {
      if (mine === state.turn) put(sheet, make("p", {class: "caution", role: "alert"}, problem.message));
    }
  }

  const stops = [on("document", () => sheet.contains(document.activeElement) || load()), on("session", load)];
  if (service.document) load();
  return () => stops.forEach((stop) => stop());
}

/** What is to be read back: who takes over confirms each in their own words, or by a tick. */
function readBack(handover, load) {
  const {given, read_back: items} = handover;
  const can = service.knownAt === null && service.session.can_change;
  const place = make("section", {class: "read-back"}, make("h3", {}, "Hazards, stops and doubts to read back", make("small", {class: "quiet"}, ` ${items.length}`)));
  if (given) place.append(make("p", {}, `Handed over by ${given.by}${given.to ? ` to ${given.to}` : ""}, ${full(parse(given.at))}. To be read back until ${full(parse(given.until))}.`));
  else place.append(make("p", {class: "quiet"}, "The shift is not handed over yet. Handing over records these, and whoever takes over reads them back."));
  place.append(items.length ? make("ol", {class: "read-back-items"}, items.map((item) => readBackItem(item, given && can, load)))
    : make("p", {class: "quiet"}, "No hazard, stop or doubt is open."));
  if (!can) return place;
  const to = make("input", {"aria-label": "Who takes over", placeholder: "who takes over", autocomplete: "off", spellcheck: "false"});
  place.append(make("form", {class: "tools", onsubmit: async (event) => {
    event.preventDefault();
    await enterInto(place, {enter: "handover", to: to.value.trim()}, load);
  }}, to, make("button", {}, given ? "Hand over anew" : "Hand over")));
  return place;
}

function readBackItem(item, open, load) {
  const line = make("li", {}, make("b", {}, item.kind), ` ${item.about}: ${item.what} `);
  if (item.by) line.append(make("span", {class: "quiet"}, `read back by ${item.by}, ${full(parse(item.at))}${item.words ? `: “${item.words}”` : ""}`));
  else if (open) {
    const words = make("input", {"aria-label": `Item ${item.number} in your own words`, placeholder: "in your own words (optional)", autocomplete: "off"});
    line.append(make("form", {class: "tools", onsubmit: async (event) => {
      event.preventDefault();
      await enterInto(line, {enter: "read-back", items: [item.number], words: words.value.trim()}, load);
    }}, words, make("button", {}, "Read back", make("span", {class: "unseen"}, ` item ${item.number}`))));
  } else line.append(make("span", {class: "caution"}, "not read back"));
  return line;
}

async function enterInto(place, body, load) {
  place.querySelector(".field-wrong")?.remove();
  try {
    await send("POST", "/records", body);
    await load();
  } catch (problem) {
    place.append(make("span", {class: "field-wrong", role: "alert"}, problem.message));
  }
}

function told(handover, load) {
  const at = parse(handover.now);
  const shown = {...handover, decisions: handover.coming.filter((item) => item.decision), routine: handover.coming.filter((item) => !item.decision)};
  return [
    make("header", {}, make("h2", {}, `Shift handover at ${full(at)}`),
      make("p", {class: "quiet"}, `The shift since ${full(parse(handover.since))}; the next one until ${full(parse(handover.until))}. All times are UTC.`)),
    !handover.complete && make("p", {class: "caution"}, mark("caution"), " The shift has too many records: the oldest are left out."),
    handover.notice && make("p", {}, handover.notice),
    SECTIONS.slice(0, 2).map(([name, title, otherwise]) => section(title, shown[name], otherwise, at)),
    readBack(handover, load),
    make("ul", {class: "boxes"}, ["Handed over by", "Taken over by", "At (UTC)"].map((text) => make("li", {}, text))),
    make("h2", {class: "appendix"}, "Appendix"),
    SECTIONS.slice(2).map(([name, title, otherwise]) => section(title, shown[name], otherwise, at)),
    alarms(handover.alarms),
  ];
}

/** How many alarms demanded action, of whom. */
function alarms(figures) {
  const shown = figures.filter((each) => each.alarms || each.standing);
  if (!shown.length) return null;
  const heads = ["Role", "Alarms", "Mean, 10 min", "Peak, 10 min", "In flood", "Over 1 day", "Chattering", "Repeated", "Silenced", "Acknowledged, median"];
  const row = (each) => [each.role, each.alarms, each.mean_per_10min.toFixed(2), each.peak_per_10min, `${Math.round(100 * each.flood_share)} %`, each.standing, each.chattering, each.repeats, each.silenced,
    each.median_s === null ? "–" : length(1000 * each.median_s)];
  const everyone = shown[0];
  const shares = Object.entries(everyone.priorities).map(([name, share]) => `${Math.round(100 * share)} % ${name}`).join(", ");
  return make("section", {}, make("h3", {}, "Alarms of the shift"),
    make("div", {class: "scroll", tabindex: 0, role: "region", "aria-label": "Alarms of the shift"}, make("table", {class: "alarm-figures"},
      make("thead", {}, make("tr", {}, heads.map((text) => make("th", {scope: "col"}, text)))),
      make("tbody", {}, shown.map((each) => make("tr", {}, row(each).map((text, place) => make(place ? "td" : "th", place ? {} : {scope: "row"}, String(text)))))))),
    make("p", {class: "small quiet"}, `${shares}. Most often: ${everyone.top.map((each) => `${each.kind.replaceAll("-", " ")} ${each.count}`).join(", ")}.`));
}

function section(title, items, otherwise, at) {
  return make("section", {}, make("h3", {}, title, items.length ? make("small", {class: "quiet"}, ` ${items.length}`) : null),
    items.length === 0 ? make("p", {class: "quiet"}, otherwise) : make("ul", {class: "handover-items"}, items.map((item) => line(item, at))));
}

function line(item, at) {
  const [from, end] = safely(item.kind, parse(item.at), parse(item.until ?? item.at));
  const until = item.until ? end : null;
  const when = until === null ? full(from) : `${full(from)} to ${sameDay(from, until) ? clock(until) : full(until)}`;
  return make("li", {class: [item.decision && "decision", until !== null && from <= at && at < until && "under-way"].filter(Boolean).join(" ") || null},
    make("span", {class: "handover-when"}, when),
    make("b", {class: "handover-about"}, item.about),
    make("span", {class: "handover-what"}, item.severity && [mark(item.severity), " "], item.what,
      item.who && item.who !== "contactd" ? make("span", {class: "quiet"}, ` (${item.who})`) : null));
}

function sameDay(one, other) {
  return new Date(one).toISOString().slice(0, 10) === new Date(other).toISOString().slice(0, 10);
}
