// What comes next at all targets, in order of time, said in words.

import {make, put} from "../dom.js";
import {mark} from "../marks.js";
import {near, parse, untilBounds} from "../times.js";

const MOST = 5;
const QUIET = ["stopped", "unset", "seen", "expired"];

export function agenda(place, shown, moving) {
  const entries = [...collect(shown)].sort((one, other) => one.at - other.at);
  const list = make("ol", {class: "agenda"});
  put(place, make("h2", {id: "coming-title"}, "Next, in order"), list);
  let key = "";
  moving.push((present) => {
    const ahead = entries.filter((entry) => entry.until > present).slice(0, MOST);
    const next = ahead.map((entry) => entry.at + entry.words).join("|");
    if (next !== key) {
      key = next;
      put(list, ahead.length ? ahead.map((entry) => line(entry)) : make("li", {class: "quiet"}, "Nothing within the plan."));
    }
    for (const [place, entry] of ahead.entries()) {
      const row = list.children[place];
      row.firstChild.textContent = untilBounds(entry.at, entry.until, present);
      row.children[1].textContent = near(entry.at, present);
    }
  });
}

function line(entry) {
  return make("li", {class: `is-${entry.kind}`}, make("b", {"data-moment": ""}), make("time", {}),
    make("span", {}, entry.sign && mark(entry.sign), entry.sign ? " " : "", entry.words));
}

function* collect(shown) {
  const acting = shown.targets.filter((target) => target.sequences.some((each) => each.steps.some((step) => !QUIET.includes(step.status))));
  const watched = acting.length ? acting : shown.targets;
  for (const target of watched) {
    for (const window of target.windows) {
      const [from, to] = [parse(window.from), parse(window.to)];
      yield {at: from, until: from, kind: "window", words: `${target.name}: command window opens, ${window.station}`};
      yield {at: to, until: to, kind: "window", words: `${target.name}: command window closes, ${window.station}`};
    }
    for (const sequence of target.sequences) {
      for (const step of sequence.steps) yield* ofStep(target, step);
    }
  }
}

function* ofStep(target, step) {
  if (QUIET.includes(step.status) || step.earliest === null) return;
  const [earliest, latest] = [parse(step.earliest), parse(step.latest)];
  const verdict = step.coverage ? `, ${step.coverage}` : "";
  yield {at: earliest, until: latest, kind: "step", sign: step.coverage, words: `${target.name}: ${step.step} runs out${verdict}`};
  if (step.stop_by) {
    const stop = parse(step.stop_by);
    yield {at: stop, until: stop, kind: "stop", sign: "warning", words: `${target.name}: last moment to stop ${step.step}, ${step.stop_station}`};
  }
  if (step.keep_clear) {
    const [from, to] = [parse(step.keep_clear.from), parse(step.keep_clear.to)];
    yield {at: from, until: from, kind: "clear", sign: "clear", words: `${target.name}: keep clear begins, ${step.hazard}`};
    yield {at: to, until: to, kind: "clear", words: `${target.name}: keep clear ends, ${step.hazard}`};
  }
}
