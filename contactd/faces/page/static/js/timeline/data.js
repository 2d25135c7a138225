// What the timeline draws, in typed arrays and rows.

import {parse} from "../times.js";

export const HEAD = 24;
export const LANE = 26;
export const FOLDED = 46;
export const STEP = 22;
export const GAP = 10;
const FOLD_FROM = 7; // stations

/** Rows of all targets from the service's columns; `folded` holds the names of folded targets. */
export function rowsOf(timeline, only, folded) {
  const rows = [];
  let top = 0;
  const add = (row, height) => {
    rows.push({...row, top, height});
    top += height;
  };
  for (const target of timeline.targets) {
    if (only && target.target !== only) continue;
    const first = rows.length;
    add({kind: "head", target}, HEAD);
    if (folded.has(target.target)) add({kind: "folded", target, lanes: target.stations}, FOLDED);
    else for (const lane of target.stations) add({kind: "lane", target, lane}, LANE);
    for (const sequence of target.sequences) {
      for (const step of sequence.steps) {
        if (step.earliest !== null) add({kind: "step", target, sequence, step}, STEP);
      }
    }
    rows[first].blockHeight = top - rows[first].top;
    top += GAP;
  }
  return {rows, height: top};
}

/** Which targets are folded at first: those with many stations. */
export function foldedAtFirst(timeline) {
  return new Set(timeline.targets.filter((target) => target.stations.length >= FOLD_FROM).map((target) => target.target));
}

/** The service's document with typed columns and times in milliseconds, those with countdowns first. */
export function prepared(timeline) {
  timeline.targets.sort((one, other) => Number(other.sequences.length > 0) - Number(one.sequences.length > 0));
  for (const target of timeline.targets) {
    for (const lane of target.stations) {
      for (const name of ["aos", "tca", "los", "windows"]) lane[name] = Float64Array.from(lane[name]);
      lane.max = Float32Array.from(lane.max, (each) => each / 100);
      lane.longest = lane.aos.reduce((longest, aos, index) => Math.max(longest, lane.los[index] - aos), 0);
      lane.profiles = new Map();
    }
    for (const sequence of target.sequences) {
      sequence.people = Float64Array.from(sequence.people_near);
      for (const step of sequence.steps) {
        for (const name of ["earliest", "nominal", "latest", "stop_by"]) step[`${name}_ms`] = parse(step[name]);
        if (!step.stop_certain) step.stop_by_ms = null;
        step.clear = step.keep_clear && [parse(step.keep_clear.from), parse(step.keep_clear.to)];
      }
    }
  }
  return timeline;
}

/** The first index whose value is not less. */
export function lowest(values, wanted) {
  let [low, high] = [0, values.length];
  while (low < high) {
    const middle = (low + high) >> 1;
    if (values[middle] < wanted) low = middle + 1;
    else high = middle;
  }
  return low;
}

/** Indices [first, last) of a lane's contacts that meet a span. */
export function visible(lane, from, to) {
  let first = lowest(lane.aos, from - lane.longest);
  while (first < lane.aos.length && lane.los[first] <= from) first += 1;
  return [first, lowest(lane.aos, to)];
}

/** Pairs of a flat list (from, to, from, to …) that meet a span. */
export function* pairs(flat, from, to) {
  for (let index = 0; index < flat.length; index += 2) {
    if (flat[index + 1] > from && flat[index] < to) yield [flat[index], flat[index + 1]];
  }
}

const EVEN = 16;

/** Elevations of a contact at even instants: as sampled by the service, or a likely arch until then. */
export function profile(lane, index) {
  return lane.profiles.get(lane.aos[index]) ?? arch(lane, index);
}

function arch(lane, index) {
  const [aos, tca, los, top] = [lane.aos[index], lane.tca[index], lane.los[index], lane.max[index]];
  const points = new Float32Array(EVEN + 1);
  for (let place = 0; place <= EVEN; place += 1) {
    const at = aos + (place / EVEN) * (los - aos);
    const side = at < tca ? (tca - at) / Math.max(tca - aos, 1) : (at - tca) / Math.max(los - tca, 1);
    points[place] = Math.max(0, top * (1 - Math.min(side, 1) ** 1.3));
  }
  return points;
}
