// Entering: one form for each sort of statement, checked by the service as the command line is.

import {confirmChange, dialogOf} from "../changes.js";
import {field, make, put} from "../dom.js";
import {now, service} from "../service.js";

const AT = {name: "at", label: "When, UTC", kind: "time"};
const GIVE = {name: "give_or_take", label: "Give or take", kind: "length", hint: "such as 40s; how far off the time may be"};
const EARLIEST = {name: "earliest", label: "Or: at the earliest", kind: "time", optional: true};
const LATEST = {name: "latest", label: "and at the latest", kind: "time", optional: true};
const STEP = {name: "step", label: "Step", kind: "step"};
const ANY_STEP = {name: "step", label: "Step, or the whole sequence", kind: "step", optional: true};
const WHY = {name: "why", label: "Why, or how it is known", kind: "text"};
const NOTE = {name: "note", label: "Note", kind: "text", optional: true};
const STATION = {name: "station", label: "Station", kind: "station"};

const FORMS = [
  {enter: "start", title: "It started", fields: [{...AT, optional: true}, {...GIVE, optional: true}, EARLIEST, LATEST, NOTE]},
  {enter: "attempt", title: "It may have started", fields: [{...EARLIEST, label: "Not before", optional: false}, {...LATEST, label: "Not after", optional: false}, {...WHY, optional: true}]},
  {enter: "refute", title: "It did not start", fields: [WHY]},
  {enter: "plan", title: "A start is planned", fields: [{...AT, optional: true}, {...GIVE, optional: true}, EARLIEST, LATEST, NOTE]},
  {enter: "setting", title: "A dial was set", fields: [{...STEP, kind: "dial"}, {name: "setting", label: "Set to", kind: "length", hint: "such as 8h 20min"}, NOTE]},
  {enter: "reading", title: "A countdown was read", fields: [{...STEP, optional: true, label: "Step, or none for the time since the start"}, AT,
    {name: "remaining", label: "It showed so much remaining", kind: "length", optional: true}, {name: "elapsed", label: "or so much elapsed", kind: "length", optional: true},
    {name: "error", label: "Error of the reading", kind: "length", value: "1s", hint: "half the last digit at least"}, {name: "at_error", label: "Error of the time", kind: "length", value: "1s"},
    {name: "unit", label: "Timer unit, where there are several", kind: "text", optional: true, short: true}, NOTE]},
  {enter: "seen", title: "A step's effect was seen", fields: [STEP, AT, {...EARLIEST, label: "Not yet seen at"}, {name: "by", label: "By whom or what", kind: "text", optional: true, short: true}, NOTE]},
  {enter: "not-seen", title: "A step's effect was not seen", fields: [STEP, {name: "watched_from", label: "Watched from, UTC", kind: "time"}, {name: "watched_until", label: "until, UTC", kind: "time"}, NOTE]},
  {enter: "ruling", title: "A ruling", fields: [ANY_STEP, {name: "ruling", label: "It is ruled that it", kind: "choice", options: [["started", "started"], ["not started", "not started"], ["acted", "the step acted"], ["did not act", "the step did not act"]]},
    WHY, EARLIEST, LATEST, {...AT, label: "By when the step had acted", optional: true}]},
  {enter: "stopped", title: "It was stopped", fields: [ANY_STEP, {...AT, label: "The stop took effect, UTC"}, {...WHY, optional: true}]},
  {enter: "held", title: "It was held", fields: [ANY_STEP, AT, {...GIVE, optional: true}, {...WHY, optional: true}]},
  {enter: "resumed", title: "It was resumed", fields: [ANY_STEP, AT, {...GIVE, optional: true}, {...WHY, optional: true}]},
  {enter: "power-loss", title: "Power was lost aboard", fields: [AT, {...GIVE, optional: true}, {...WHY, optional: true}]},
  {enter: "command", title: "A command was sent", fields: [ANY_STEP, AT, {name: "command", label: "Command", kind: "text", short: true, hint: "stop, hold, resume, start, or its name"}, {...STATION, optional: true}, NOTE]},
  {enter: "missed", title: "A contact was missed", noSequence: true, fields: [STATION, {...AT, label: "A moment in the contact, UTC"}, {name: "until", label: "Missed until, UTC, if not to its end", kind: "time", optional: true}, {...WHY, optional: true}]},
  {enter: "remark", title: "A remark", noSequence: true, fields: [{name: "remark", label: "Remark", kind: "text"}]},
];

/** The list of what can be entered. */
export function entryButtons(place, shown) {
  const key = shown.targets.map((target) => target.name + target.sequences.length).join("|");
  if (place.dataset.key === key) return;
  place.dataset.key = key;
  const narrow = matchMedia("(max-width: 60rem)").matches;
  put(place, make("h2", {id: "enter-title"}, "Enter"),
    make("p", {class: "small quiet"}, "What it would change is shown before anything is recorded. Nothing recorded is ever changed; a later record corrects an earlier one."),
    make("details", {open: !narrow}, make("summary", {}, "What can be entered"), make("ul", {}, FORMS.map((form) => make("li", {}, make("button", {type: "button", onclick: () => openForm(form, shown)}, form.title))))));
}

function openForm(form, shown) {
  const pairs = form.noSequence ? shown.targets.map((target) => ({target, sequence: null}))
    : shown.targets.flatMap((target) => target.sequences.map((sequence) => ({target, sequence})));
  if (!pairs.length) {
    dialogOf(form.title, make("p", {}, "No target has a sequence to say this of."));
    return;
  }
  const about = make("select", {name: "about", onchange: build}, pairs.map((pair, index) => make("option", {value: index}, pair.sequence ? `${pair.target.name}: ${pair.sequence.sequence}` : pair.target.name)));
  const running = pairs.findIndex((pair) => pair.sequence && ["observed", "in doubt", "expected"].includes(pair.sequence.start.status));
  if (running >= 0) about.value = running;
  const fields = make("div", {class: "fields"});
  const general = make("p", {class: "field-wrong", role: "alert", hidden: true});
  const element = make("form", {novalidate: true, onsubmit: (event) => {
    event.preventDefault();
    ask();
  }}, field("About", about), fields, general, make("div", {class: "buttons"}, make("button", {class: "first"}, "See what it would change"),
    make("button", {type: "button", onclick: () => dialog.close()}, "Cancel")));

  function build() {
    const pair = pairs[Number(about.value)];
    const kept = Object.fromEntries([...fields.querySelectorAll("[name]")].map((each) => [each.name, each.value]));
    put(fields, form.fields.map((each) => control(each, pair, kept[each.name])));
  }

  function entry() {
    const pair = pairs[Number(about.value)];
    const body = {enter: form.enter, target: pair.target.name};
    if (pair.sequence) body.sequence = pair.sequence.sequence;
    for (const each of fields.querySelectorAll("[name]")) if (each.value.trim() !== "") body[each.name] = each.value.trim();
    return body;
  }

  function complain(errors, message) {
    general.hidden = true;
    for (const each of fields.querySelectorAll("[name]")) {
      each.removeAttribute("aria-invalid");
      document.getElementById(`${each.id}-wrong`).hidden = true;
    }
    let first = null;
    for (const error of errors) {
      const name = error.key.replace(/_s$/, "");
      const input = fields.querySelector(`[name="${CSS.escape(name)}"]`);
      if (!input) continue;
      first ??= input;
      input.setAttribute("aria-invalid", "true");
      const line = document.getElementById(`${input.id}-wrong`);
      line.hidden = false;
      line.textContent = error.expected.startsWith("Field required") ? "needed" : `${error.found ? `found ${error.found}; ` : ""}expected ${error.expected}`;
    }
    if (!first && message) {
      general.hidden = false;
      general.textContent = message;
    }
    first?.focus();
  }

  async function ask() {
    complain([], "");
    const missing = form.fields.filter((each) => !each.optional && !fields.querySelector(`[name="${each.name}"]`).value.trim());
    if (missing.length) {
      complain(missing.map((each) => ({key: each.name, found: "nothing", expected: each.label.toLowerCase()})), "");
      return;
    }
    try {
      await confirmChange({title: form.title, body: entry(), preview: "/records/preview", write: "/records", done: () => dialog.close()});
    } catch (problem) {
      complain(problem.errors ?? [], problem.message);
    }
  }

  build();
  const dialog = dialogOf(form.title, element);
}

function control(each, pair, kept) {
  const properties = {name: each.name, value: kept ?? each.value ?? "", spellcheck: "false", autocomplete: "off", "aria-required": each.optional ? null : "true"};
  const label = each.optional ? `${each.label} (optional)` : each.label;
  if (each.kind === "step" || each.kind === "dial") {
    const names = pair.sequence.steps.map((step) => step.step);
    return field(label, make("select", {name: each.name}, each.optional && make("option", {value: ""}, "–"), names.map((name) => make("option", {value: name, selected: name === kept}, name))));
  }
  if (each.kind === "choice") return field(label, make("select", {name: each.name}, each.options.map(([value, text]) => make("option", {value, selected: value === kept}, text))));
  if (each.kind === "station") {
    const names = [...new Set(service.document.targets.flatMap((target) => target.windows.map((window) => window.station)))].sort();
    const list = make("datalist", {id: `${each.name}-names`}, names.map((name) => make("option", {value: name})));
    return [field(label, make("input", {...properties, list: list.id})), list];
  }
  if (each.kind === "time") {
    const input = make("input", {...properties, placeholder: new Date(now()).toISOString().replace(/\.\d+/, "")});
    const made = field(label, input, each.hint);
    made.append(make("button", {type: "button", class: "small", onclick: () => {
      input.value = new Date(now()).toISOString().replace(/\.\d+/, "");
    }}, "Now", make("span", {class: "unseen"}, ` as ${each.label}`)));
    return made;
  }
  if (each.kind === "text" && !each.short) return field(label, make("textarea", {...properties, rows: 2}), each.hint);
  return field(label, make("input", properties), each.hint);
}

