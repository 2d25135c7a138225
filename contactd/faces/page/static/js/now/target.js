// One target: its next command window, and each onboard countdown with what it means.

import {make} from "../dom.js";
import {mark, verdict} from "../marks.js";
import {between, countdown, length, near, noEarlier, noLater, parse, untilBounds, within} from "../times.js";
import {service} from "../service.js";
import {Lane} from "./lanes.js";

const WORDS = {unset: "setting not chosen", planned: "planned", running: "running", expiring: "expiring", expired: "expired",
  seen: "confirmed", held: "hold", stopped: "stopped"};
const OVER = ["unset", "seen", "stopped", "expired"];

/** How far up a target belongs: what is dangerous and uncovered first, then what runs, then the rest. */
export function urgency(target, shown) {
  const weights = {warning: 100, caution: 10, advisory: 0};
  const alerts = shown.alerts.filter((alert) => alert.target === target.name)
    .reduce((sum, alert) => sum + weights[alert.severity], 0);
  const steps = target.sequences.flatMap((sequence) => sequence.steps);
  return alerts + (steps.some((step) => ["running", "expiring"].includes(step.status)) ? 1000 : 0) + (steps.length ? 500 : 0);
}

/** The block of a target. `moving` gets what must be called each second. */
export function targetBlock(target, moving) {
  const lane = new Lane(windowsInWords(target), 26);
  for (const window of target.windows) {
    lane.bar(parse(window.from), parse(window.to), "window", 5, 21, 3);
  }
  const sentence = make("p", {class: "next-window"});
  moving.push((present) => {
    lane.move(present);
    sayWindow(sentence, target, present);
  });
  const steps = target.sequences.flatMap((sequence) => [
    make("p", {class: "sequence-line"}, sequenceWords(sequence)),
    sequence.conflicts.map((text) => make("p", {class: "caution small"}, mark("caution"), " ", text)),
    make("ul", {class: "steps"}, sequence.steps.map((step) => stepRow(step, sequence, moving)))]);
  return make("article", {class: "target", "aria-label": target.name},
    make("div", {class: "row target-row"},
      make("div", {class: "row-name"}, make("h3", {}, target.name), elementsWords(target, moving)),
      lane.element, make("div", {class: "row-say"}, sentence, target.problem && make("p", {class: "caution small"}, mark("caution"), " ", target.problem))),
    steps);
}

function windowsInWords(target) {
  if (!target.windows.length) return "No command window within the prediction.";
  return `Command windows: ${target.windows.slice(0, 4).map((window) => `${window.station} ${within(parse(window.from), parse(window.to), parse(window.from))}`).join(", ")}.`;
}

let shownWindow = new WeakMap();

function sayWindow(place, target, present) {
  const open = target.windows.filter((window) => parse(window.from) <= present && present < parse(window.to))
    .sort((one, other) => parse(other.to) - parse(one.to))[0];
  const next = target.windows.find((window) => parse(window.from) > present);
  const chosen = open ?? next;
  const key = `${open ? "open" : "next"}${chosen?.from}${chosen?.station}`;
  if (shownWindow.get(place) !== key) {
    shownWindow.set(place, key);
    const figures = make("b", {class: "figures big", "data-moment": ""});
    const rest = make("span", {});
    place.replaceChildren(figures, " ", rest);
    place.classList.toggle("open", Boolean(open));
  }
  const [figures, , rest] = place.childNodes;
  if (!chosen) {
    figures.textContent = "";
    rest.textContent = target.contacts ? "No command window within the prediction." : "No contact within the prediction.";
    return;
  }
  const [from, to] = [parse(chosen.from), parse(chosen.to)];
  const top = chosen.max_elevation_deg === null ? "" : `, up to ${Math.round(chosen.max_elevation_deg)}°`;
  const beyond = chosen.beyond_prediction;
  figures.textContent = open ? beyond ? "now" : countdown(to - present) : countdown(from - present);
  rest.textContent = open ? beyond ? `commands through ${chosen.station}, in view beyond the prediction's end`
    : `left to command through ${chosen.station}, until ${near(noLater(to), present)}`
    : `until commands through ${chosen.station}: ${near(noEarlier(from), present)}${beyond ? ", in view beyond the prediction's end" : ` for ${length(to - from, Math.floor)}`}${top}`;
}

function elementsWords(target, moving) {
  const line = make("p", {class: "small quiet"});
  const elements = target.elements;
  if (!elements) {
    line.textContent = "no elements";
    return line;
  }
  const epoch = parse(elements.epoch);
  if (elements.stale) line.className = "small caution";
  moving.push((present) => {
    line.textContent = `elements ${length(present - epoch, Math.floor)} old${elements.stale ? ", stale" : ""}`;
  });
  return line;
}

function sequenceWords(sequence) {
  const start = sequence.start;
  const [earliest, latest] = [parse(start.earliest), parse(start.latest)];
  const when = earliest === null ? "" : ` ${between(earliest, latest, parse(service.beat?.now) ?? earliest)}`;
  const words = {pending: "not started, no time planned", expected: `start planned${when}`, observed: `started${when}`,
    "in doubt": `may have started${when}: treat it as running`, refuted: "did not start", stopped: `stopped ${start.stopped_at ? near(parse(start.stopped_at), parse(start.stopped_at)) : ""}`};
  return [make("b", {}, sequence.sequence), start.status === "in doubt" ? make("b", {class: "warning"}, mark("warning"), " in doubt: ") : ": ",
    words[start.status] ?? start.status];
}

function stepRow(step, sequence, moving) {
  const [earliest, latest, nominal] = [parse(step.earliest), parse(step.latest), parse(step.nominal)];
  const name = make("div", {class: "row-name"}, make("p", {class: "step-name"}, step.step),
  make("p", {class: "small quiet"},
    step.hazard && make("b", {class: "hazard"}, mark("clear"), ` ${step.hazard}, `), WORDS[step.status] ?? step.status));
  if (earliest === null) {
    return make("li", {class: "row step"}, name, make("div", {class: "lane empty"}),
      make("div", {class: "row-say"}, make("p", {class: "quiet"}, step.reasons[0] ?? "no expiry can be given yet")));
  }
  const lane = laneOf(step, sequence, earliest, nominal, latest);
  const when = make("b", {"data-moment": ""});
  const utc = make("span", {class: "utc"});
  const stop = step.stop_possible === null || OVER.includes(step.status) ? null : make("p", {class: "small stop-line", "data-moment": ""});
  moving.push((present) => {
    lane.move(present);
    when.textContent = untilBounds(earliest, latest, present);
    if (present <= latest) utc.textContent = between(earliest, latest, present);
    if (stop) sayStop(stop, step, present);
  });
  const over = OVER.includes(step.status);
  return make("li", {class: `row step${over ? " over" : ""}`}, name, lane.element, make("div", {class: "row-say"},
    make("p", {class: "when"}, when, " ", utc),
    !over && make("p", {class: "small"}, short(step)), stop,
    step.setting_unknown_s && make("p", {class: "small caution"}, mark("caution"), ` setting unknown: ${length(step.setting_unknown_s[0] * 1000, Math.floor)} to ${length(step.setting_unknown_s[1] * 1000, Math.ceil)}`),
    step.people_in_keep_clear.length > 0 && make("p", {class: "small warning"}, mark("warning"), " people planned near during keep-clear"),
    why(step)));
}

function laneOf(step, sequence, earliest, nominal, latest) {
  const lane = new Lane(`${step.step}: ${between(earliest, latest, earliest)}, ${step.coverage ?? step.status}`, 38);
  if (step.hazard) {
    for (const near of sequence.people_near) lane.bar(parse(near.from) ?? -Infinity, parse(near.to) ?? Infinity, "near", 31, 37);
  }
  if (step.keep_clear) lane.bar(parse(step.keep_clear.from), parse(step.keep_clear.to), "clear", 9, 30, 8);
  lane.bar(earliest, latest, `expiry ${(step.coverage ?? "plain").replace(" ", "-")}`, 13, 26, 6);
  lane.stroke(nominal, "nominal", 9, 30);
  if (step.stop_certain) lane.flag(parse(step.stop_by), "stop-flag", 0);
  return lane;
}

/** The service's sentence; a certain stop-by also counts down, and turns into a warning near it. */
function sayStop(place, step, present) {
  const stop = step.stop_certain ? parse(step.stop_by) : null;
  const ahead = stop !== null && present < stop;
  const text = stop === null ? step.stop_text : ahead ? `${step.stop_text}, ${countdown(stop - present)} left` : `no certain stop since ${near(noLater(stop), present)}`;
  if (place.textContent !== text) place.textContent = text;
  place.classList.toggle("warning", !ahead || stop - present < 600_000);
}

/** What must be clear, where the configuration says it. */
export const zone = (step) => step.keep_clear.zone ? `, zone ${step.keep_clear.zone}` : "";

/** The verdict in a few words; the sentences behind it stand under Why. */
function short(step) {
  if (step.coverage === null) return make("span", {class: "quiet"}, "needs no station");
  const margin = step.margin_s === null ? null : step.margin_s * 1000;
  const chance = step.in_view_probability === null ? "" : `, probability ${step.in_view_probability.toFixed(2)}`;
  const more = {
    covered: margin === null ? "" : `, margin ${length(margin, Math.floor)}`,
    "at risk": chance,
    uncovered: margin === null || margin >= 0 ? "" : `, ${length(-margin, Math.ceil)} short of coverage`,
  }[step.coverage];
  return [verdict(step.coverage), make("span", {}, more, step.coverage === "covered" && step.stations.length ? ` with ${step.stations.join(", ")}` : "")];
}

function why(step) {
  const lines = [step.cause?.text && `${step.coverage}: ${step.cause.text}`, ...step.reasons,
    step.confirm_at && `first look ${near(noEarlier(parse(step.confirm_at)), parse(step.latest))}, ${step.confirm_station}`,
    step.keep_clear && `keep clear ${between(parse(step.keep_clear.from), parse(step.keep_clear.to), parse(step.keep_clear.from))}${zone(step)}`].filter(Boolean);
  if (!lines.length && !step.facts.length) return null;
  return make("details", {class: "why", dataset: {key: `${step.target}/${step.sequence}/${step.step}`}},
    make("summary", {}, "Why", make("span", {class: "unseen"}, `: ${step.step} of ${step.target}`)),
    make("ul", {class: "small"}, lines.map((text) => make("li", {}, text)),
      step.facts.map((fact) => make("li", {class: "quiet"}, `${fact.about.replaceAll("_", " ")}: ${fact.text} (${fact.source})`))));
}
