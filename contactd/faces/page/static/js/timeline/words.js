// What lies under the pointer or the focus, in words.

import {between, clock, length, moment, nearest, noEarlier, noLater, within} from "../times.js";
import {pairs, visible} from "./data.js";

/** The items of a row that meet a span, in order of time: {from, to, words, goes}. */
export function itemsOf(row, light, from, to) {
  const items = [...collect(row, light, from, to)];
  return items.sort((one, other) => one.from - other.from || other.to - one.to);
}

function* collect(row, light, from, to) {
  if (row.kind === "lane") yield* contacts(row.target, row.lane, from, to);
  if (row.kind === "folded") for (const lane of row.lanes) yield* contacts(row.target, lane, from, to);
  if (row.kind === "step") yield stepItem(row.target, row.sequence, row.step);
  if (row.kind === "head") {
    for (const [start, end] of pairs(row.target.gaps, from, to)) {
      yield {from: start, to: end, words: `${row.target.target}: prediction gap ${span(start, end)}, no contact is predicted.`};
    }
    for (const [start, end] of pairs(light.shadow?.[row.target.target] ?? [], from, to)) {
      yield {from: start, to: end, words: `${row.target.target} is in the Earth's shadow ${span(start, end)}.`};
    }
    for (const sequence of row.target.sequences) {
      for (const [start, end] of pairs(sequence.people, from, to)) {
        yield {from: start, to: end, words: `${row.target.target}: people planned near ${span(start, end)}.`};
      }
    }
  }
}

function* contacts(target, lane, from, to) {
  for (const [start, end] of pairs(lane.maybe, from, to)) {
    yield {from: start, to: end, words: `${target.target}: possible contact with ${lane.station} ${span(start, end)}, depending on a planned manoeuvre.`};
  }
  const [first, last] = visible(lane, from, to);
  for (let index = first; index < last; index += 1) {
    const [aos, tca, los] = [lane.aos[index], lane.tca[index], lane.los[index]];
    const commands = [...pairs(lane.windows, aos, los)];
    const cut = [lane.cut[index] & 1 ? "in view before the prediction's start" : "", lane.cut[index] & 2 ? "in view beyond the prediction's end" : ""].filter(Boolean);
    yield {from: aos, to: los, goes: `#/sky?${new URLSearchParams({target: target.target, station: lane.station, at: new Date(tca).toISOString()})}`,
      words: `${target.target}: contact with ${lane.station}, AOS ${moment(noLater(aos))}, max ${lane.max[index].toFixed(0)}° at ${clock(nearest(tca))}, LOS ${clock(noLater(los))} `
        + `(${length(los - aos)}; AOS and LOS ± ${(Math.ceil(target.uncertain_ms / 100) / 10).toFixed(1)} s). `
        + (commands.length ? `Commands ${commands.map(([start, end]) => within(start, end, start)).join(" and ")}.` : "No command window.")
        + (cut.length ? ` It is ${cut.join(", ")}.` : "")};
  }
}

function stepItem(target, sequence, step) {
  const parts = [`Step '${step.step}' of ${target.target} (${sequence.sequence}, ${step.status}) expires ${between(step.earliest_ms, step.latest_ms, step.earliest_ms)}, nominal ${clock(nearest(step.nominal_ms))}.`];
  if (step.coverage) parts.push(`It is ${step.coverage}${step.cause?.text ? `: ${step.cause.text}` : ""}.`);
  if (step.stop_text) parts.push(`${step.stop_text[0].toUpperCase()}${step.stop_text.slice(1)}.`);
  if (step.clear) parts.push(`Keep clear ${span(...step.clear)}: ${step.hazard}${step.keep_clear.zone ? `, zone ${step.keep_clear.zone}` : ""}.`);
  return {from: Math.min(step.earliest_ms, step.clear?.[0] ?? Infinity), to: Math.max(step.latest_ms, step.clear?.[1] ?? 0), words: parts.join(" ")};
}

/** Outwards: a keep-clear, a gap. */
function span(from, to) {
  return between(from, to, 0);
}
