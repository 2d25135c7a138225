// Entering: one form for every kind of statement, drawn from what the service says that it asks for.

import {confirmChange, dialogOf} from "../changes.js";
import {field, make, put} from "../dom.js";
import {get, now, service} from "../service.js";

const EXAMPLES = {length: "such as 40s or 8h 20min", reading: "such as 2h 41min, as it was shown"};
const UNITS = {moment: "UTC", count: "number"};
let known = null; // The kinds of statements, asked for once.

/** The list of what can be entered. */
export async function entryButtons(place, shown) {
  const key = shown.targets.map((target) => target.name + target.sequences.length).join("|");
  if (place.dataset.key === key) return;
  place.dataset.key = key;
  try {
    known ??= await get("/statements");
  } catch (problem) {
    delete place.dataset.key;
    put(place, make("h2", {id: "enter-title"}, "Enter"), make("p", {class: "caution"}, problem.message));
    return;
  }
  if (service.knownAt !== null) return;
  const narrow = matchMedia("(max-width: 60rem)").matches;
  put(place, make("h2", {id: "enter-title"}, "Enter"),
    make("p", {class: "small quiet"}, "You see what it would change before anything is recorded. Records are never changed; a later record corrects an earlier one."),
    make("details", {open: !narrow}, make("summary", {}, "What can be entered"), make("ul", {}, known.map((kind) => make("li", {}, make("button", {type: "button", onclick: () => openForm(kind, shown)}, kind.title))))));
}

function openForm(kind, shown) {
  const whole = shown.targets.map((target) => ({target, sequence: null}));
  const parts = shown.targets.flatMap((target) => target.sequences.map((sequence) => ({target, sequence})));
  const pairs = ["station", "shift"].includes(kind.about) ? [{target: null, sequence: null}] : kind.about === "target" ? whole : kind.about === "sequence" ? parts : [{target: null, sequence: null}, ...whole, ...parts];
  if (!pairs.length) {
    dialogOf(kind.title, make("p", {}, "No target has a sequence to say this of."));
    return;
  }
  const about = make("select", {name: "about", onchange: build}, pairs.map((pair, index) => make("option", {value: index}, nameOf(pair))));
  const running = pairs.findIndex((pair) => pair.sequence && ["observed", "in doubt", "expected"].includes(pair.sequence.start.status));
  if (running >= 0) about.value = running;
  const fields = make("div", {class: "fields"});
  const general = make("p", {class: "field-wrong", role: "alert", hidden: true});
  const element = make("form", {novalidate: true, onsubmit: (event) => {
    event.preventDefault();
    ask();
  }}, !["station", "shift"].includes(kind.about) && field("About", about), fields, general, make("div", {class: "buttons"}, make("button", {class: "first"}, "See what it would change"),
    make("button", {type: "button", onclick: () => dialog.close()}, "Cancel")));

  function build() {
    const pair = pairs[Number(about.value)];
    const kept = Object.fromEntries([...fields.querySelectorAll("[name]")].map((each) => [each.name, valueOf(each)]));
    put(fields, kind.fields.map((each) => control(each, pair, kept[each.name])));
  }

  function entry() {
    const pair = pairs[Number(about.value)];
    const body = {enter: kind.enter};
    if (pair.target) body.target = pair.target.name;
    if (pair.sequence) body.sequence = pair.sequence.sequence;
    for (const each of fields.querySelectorAll("[name]")) {
      const value = valueOf(each);
      if (Array.isArray(value) ? value.length : value !== "") body[each.name] = each.dataset.type === "count" && /^\d+$/.test(value) ? Number(value) : value;
    }
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
      const input = fields.querySelector(`[name="${CSS.escape(error.key)}"]`);
      if (!input) continue;
      first ??= input;
      input.setAttribute("aria-invalid", "true");
      const line = document.getElementById(`${input.id}-wrong`);
      line.hidden = false;
      line.textContent = error.says;
    }
    if (!first && message) {
      general.hidden = false;
      general.textContent = message;
    }
    first?.focus();
  }

  async function ask() {
    complain([], "");
    const body = entry();
    const missing = kind.fields.filter((each) => each.required && !(each.name in body));
    if (missing.length) {
      complain(missing.map((each) => ({key: each.name, says: "Enter it."})), "");
      return;
    }
    try {
      await confirmChange({title: kind.title, body, preview: "/records/preview", write: "/records", done: () => dialog.close()});
    } catch (problem) {
      complain(problem.errors ?? [], problem.message);
    }
  }

  build();
  const dialog = dialogOf(kind.title, make("p", {class: "small quiet about-form"}, sayings(kind.help)), element);
}

function nameOf({target, sequence}) {
  if (!target) return "the service";
  return sequence ? `${target.name}: ${sequence.sequence}` : target.name;
}

/** The help without what only the command line needs: its first paragraph names the arguments. */
function sayings(help) {
  return help.trim().split(/\n\s*\n/).slice(1).join(" ").replace(/`contactd record (\S+)`/g, "its own kind of entry").replace(/\s+/g, " ");
}

function valueOf(control) {
  return control.multiple ? [...control.selectedOptions].map((each) => each.value) : control.value.trim();
}

function control(each, pair, kept) {
  const unit = UNITS[each.type] ? `, ${UNITS[each.type]}` : "";
  const label = `${each.label}${unit}${each.required ? "" : " (optional)"}`;
  const hint = [each.help, EXAMPLES[each.type] && `Write it ${EXAMPLES[each.type]}.`, each.default && `If empty: ${each.default}.`].filter(Boolean).join(" ");
  const properties = {name: each.name, spellcheck: "false", autocomplete: "off", dataset: {type: each.type}, "aria-required": each.required ? "true" : null};
  if (each.type === "step" && pair.sequence) return field(label, choice(each, pair.sequence.steps.map((step) => step.step), kept, properties), hint);
  if (each.type === "station") return field(label, choice(each, stationNames(), kept, properties), hint);
  if (each.type === "choice") return field(label, choice(each, each.choices, kept, properties, (name) => name.replace(/-/g, " ")), hint);
  if (each.type === "moment") {
    const input = make("input", {...properties, value: kept ?? "", placeholder: present()});
    const made = field(label, input, hint);
    input.after(make("button", {type: "button", class: "small", onclick: () => {
      input.value = present();
    }}, "Now", make("span", {class: "unseen"}, ` as ${each.label}`)));
    return made;
  }
  if (each.type === "text" && ["why", "note", "text"].includes(each.name)) {
    const area = make("textarea", {...properties, rows: 2});
    area.value = kept ?? "";
    return field(label, area, hint);
  }
  return field(label, make("input", {...properties, value: kept ?? ""}), hint);
}

function choice(each, names, kept, properties, say = (name) => name) {
  const chosen = [kept ?? []].flat();
  return make("select", {...properties, multiple: each.many || null, size: each.many ? Math.min(names.length, 4) : null},
    !each.required && !each.many && make("option", {value: ""}, each.default ?? "–"),
    names.map((name) => make("option", {value: name, selected: chosen.includes(name)}, say(name))));
}

function stationNames() {
  return service.document.stations.map((station) => station.name).sort();
}

function present() {
  return new Date(now()).toISOString().replace(/\.\d+/, "");
}
