// Records: what was learned, decided and told, as it is and as it was known; and entering more of it.

import {make, put} from "../dom.js";
import {picker} from "../pickers.js";
import {get, now, on, service, travel} from "../service.js";
import {MINUTE, moment, parse} from "../times.js";
import {entryButtons} from "./entry.js";
import {GROUPS, bodyWords, kindWords} from "./words.js";

export function enter(place, query) {
  const state = {records: [], next: null, turn: 0};
  const about = picker("About", () => load());
  const kinds = picker("What", () => load());
  kinds.offer(GROUPS.map(([name]) => [name, name]), query.get("what") ?? GROUPS[0][0]);
  const when = make("input", {name: "known-at", "aria-label": "Known at, UTC", size: 22, spellcheck: "false", placeholder: "2026-11-25T06:00:00Z"});
  const wrong = make("span", {class: "field-wrong", role: "alert"});
  const go = make("form", {class: "tools travel", onsubmit: (event) => {
    event.preventDefault();
    leaveFor(when.value);
  }}, make("label", {}, "As known at", when), make("button", {}, "Go there"), [["1 h ago", 60], ["6 h ago", 360], ["1 d ago", 1440]]
    .map(([text, minutes]) => make("button", {type: "button", onclick: () => leaveFor(new Date(Math.floor((now() - minutes * MINUTE) / 1000) * 1000).toISOString())}, text)), wrong);
  const list = make("tbody", {role: "rowgroup"}); // Roles are said, since a phone lays rows out as blocks.
  const more = make("button", {type: "button", onclick: older}, "Older ones");
  const entries = make("section", {class: "enter", "aria-labelledby": "enter-title"});
  put(place, make("h1", {class: "unseen"}, "Records"), go, make("div", {class: "tools"}, about.element, kinds.element),
    make("div", {class: "records"}, make("div", {class: "scroll", tabindex: 0, role: "region", "aria-label": "Records, newest first"}, make("table", {class: "ledger", role: "table"},
      make("thead", {role: "rowgroup"}, make("tr", {role: "row"}, ["No.", "Recorded, UTC", "What", "About", "By", "Says"].map((text) => make("th", {scope: "col", role: "columnheader"}, text)))), list), more), entries));

  async function leaveFor(text) {
    wrong.textContent = "";
    const at = Date.parse(text);
    if (Number.isNaN(at) || !/Z$/.test(text.trim())) {
      wrong.textContent = "expected a UTC time such as 2026-11-25T06:00:00Z";
      when.setAttribute("aria-invalid", "true");
      return;
    }
    when.removeAttribute("aria-invalid");
    await travel(new Date(at).toISOString());
    if (service.problem) wrong.textContent = service.problem.message;
  }

  async function load() {
    const mine = ++state.turn;
    const group = GROUPS.find(([name]) => name === kinds.value);
    try {
      const found = await get("/records", {subject: about.value, kind: group?.[1] ?? [], known_at: service.knownAt, limit: 60});
      if (mine !== state.turn) return;
      Object.assign(state, {records: found, next: found.next ?? null});
      show();
    } catch (problem) {
      put(list, make("tr", {role: "row"}, cell("caution", problem.message, 6)));
    }
  }

  async function older() {
    const found = await get(state.next).catch(() => []);
    state.records = [...state.records, ...found];
    state.next = found.next ?? null;
    show();
  }

  function show() {
    put(list, state.records.map((record) => make("tr", {role: "row"}, cell("nowrap", String(record.number)), cell("nowrap", moment(parse(record.at))),
      cell("nowrap", kindWords(record.kind)), cell("", parts(record.subject)), cell("nowrap", record.author), cell("says", bodyWords(record)))),
    state.records.length === 0 && make("tr", {role: "row"}, cell("quiet", "No such records.", 6)));
    more.hidden = !state.next;
  }

  function begin() {
    const shown = service.document;
    if (!shown) return;
    about.offer([["", "everything"], ...shown.targets.map((target) => [target.name, target.name]), ["contactd", "the service"]], about.value || (query.get("about") ?? ""));
    if (service.knownAt === null) entryButtons(entries, shown);
    else {
      delete entries.dataset.key;
      put(entries, make("h2", {id: "enter-title"}, "Enter"), make("p", {class: "quiet"}, "Return to now to add records."));
    }
  }

  const stops = [on("document", begin), on("change", load), on("travel", load)];
  begin();
  load();
  return () => stops.forEach((stop) => stop());
}

function cell(className, content, colspan = null) {
  return make("td", {class: className || null, role: "cell", colspan}, content);
}

/** A subject that breaks between its parts rather than within a name. */
function parts(subject) {
  return subject.split("/").flatMap((part, index) => index === 0 ? [part] : ["/", make("wbr"), part]);
}
