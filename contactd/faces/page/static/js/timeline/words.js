// What lies under the pointer or the focus, in words.

import {between, clock, length, moment, near} from "../times.js";
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
      yield {from: start, to: end, words: `The motion of ${row.target.target} is not known ${span(start, end)}: no contact is predicted.`};
    }
    for (const [start, end] of pairs(light.shadow?.[row.target.target] ?? [], from, to)) {
      yield {from: start, to: end, words: `${row.target.target} is in the Earth's shadow ${span(start, end)}.`};
    }
    for (const sequence of row.target.sequences) {
      for (const [start, end] of pairs(sequence.people, from, to)) {
        yield {from: start, to: end, words: `People are planned to be near ${row.target.target} ${span(start, end)}.`};
      }
    }
  }
}

function* contacts(target, lane, from, to) {
  for (const [start, end] of pairs(lane.maybe, from, to)) {
    yield {from: start, to: end, words: `${target.target} may be in view of ${lane.station} ${span(start, end)}: that depends on how a planned manoeuvre goes.`};
  }
  const [first, last] = visible(lane, from, to);
  for (let index = first; index < last; index += 1) {
    const [aos, tca, los] = [lane.aos[index], lane.tca[index], lane.los[index]];
    const commands = [...pairs(lane.windows, aos, los)];
    const cut = [lane.cut[index] & 1 ? "it began before the plan" : "", lane.cut[index] & 2 ? "it goes on beyond the plan" : ""].filter(Boolean);
    yield {from: aos, to: los, goes: `#/sky?${new URLSearchParams({target: target.target, station: lane.station, at: new Date(tca).toISOString()})}`,
      words: `${target.target} over ${lane.station}: rises ${moment(aos)}, highest ${lane.max[index].toFixed(0)}° at ${clock(tca)}, sets ${clock(los)} `
        + `(${length(los - aos)}; rise and set may be off by ${(target.uncertain_ms / 1000).toFixed(1)} s). `
        + (commands.length ? `Commands ${commands.map(([start, end]) => span(start, end)).join(" and ")}.` : "No command can be sent.")
        + (cut.length ? ` ${cut.join(", ")}.` : "")};
  }
}

function stepItem(target, sequence, step) {
  const parts = [`${step.step} of ${target.target} (${sequence.sequence}, ${step.status}) runs out ${between(step.earliest_ms, step.latest_ms, step.earliest_ms)}, nominal ${clock(step.nominal_ms)}.`];
  if (step.coverage) parts.push(`It is ${step.coverage}${step.reasons.length ? `: ${step.reasons[0]}` : ""}.`);
  if (step.stop_by_ms) parts.push(`Stop it by ${near(step.stop_by_ms, step.earliest_ms)} through ${step.stop_station}.`);
  if (step.stop_possible === false) parts.push("No command window is left to stop it.");
  if (step.clear) parts.push(`Keep clear ${span(...step.clear)}: ${step.hazard}.`);
  return {from: Math.min(step.earliest_ms, step.clear?.[0] ?? Infinity), to: Math.max(step.latest_ms, step.clear?.[1] ?? 0), words: parts.join(" ")};
}

function span(from, to) {
  return `${moment(from).slice(5)} to ${clock(to)}`;
}
