// Painting the timeline: only what is in sight, and columns instead of shapes where shapes would be
// narrower than a pixel.

import {ink} from "../choices.js";
import {DAY, HOUR, MINUTE, SECOND, clock, day} from "../times.js";
import {pairs, profile, visible} from "./data.js";

export const AXIS = 40;
const SHAPE_FROM_PX = 5;
const STEPS = [SECOND, 5 * SECOND, 15 * SECOND, MINUTE, 5 * MINUTE, 15 * MINUTE, 30 * MINUTE, HOUR, 3 * HOUR, 6 * HOUR, 12 * HOUR, DAY, 2 * DAY, 7 * DAY];
const NAMES = ["ground", "sheet", "raised", "rule", "line", "ink", "soft", "window", "window-soft", "risk", "lost", "clear", "near", "night", "shadow", "warning", "focus"];

/** Colours and patterns of the present paper. */
export function palette(context) {
  const colours = Object.fromEntries(NAMES.map((name) => [name, ink(name)]));
  return {...colours, hatch: pattern(context, colours.clear, "hatch"), dots: pattern(context, colours.near, "dots"), bars: pattern(context, colours.line, "bars")};
}

function pattern(context, colour, kind) {
  const tile = document.createElement("canvas");
  tile.width = tile.height = 8;
  const pen = tile.getContext("2d");
  pen.strokeStyle = pen.fillStyle = colour;
  pen.lineWidth = 1.6;
  if (kind === "dots") {
    pen.fillRect(1, 1, 2, 2);
    pen.fillRect(5, 5, 2, 2);
  } else if (kind === "bars") {
    pen.fillRect(0, 3, 8, 1.5);
  } else {
    pen.beginPath();
    for (const shift of [-8, 0, 8]) {
      pen.moveTo(shift, 8);
      pen.lineTo(shift + 8, 0);
    }
    pen.stroke();
  }
  return context.createPattern(tile, "repeat");
}

/** Paint a frame. `view` has from, to, scroll, width, height, gutter; `scene` what there is to see. */
export function paint(pen, view, scene, colours) {
  const {width, height, gutter} = view;
  pen.fillStyle = colours.ground;
  pen.fillRect(0, 0, width, height);
  const x = (when) => gutter + (width - gutter) * (when - view.from) / (view.to - view.from);
  pen.save();
  pen.beginPath();
  pen.rect(0, AXIS, width, height - AXIS);
  pen.clip();
  pen.translate(0, AXIS - view.scroll);
  const seen = scene.rows.filter((row) => row.top + (row.blockHeight ?? row.height) > view.scroll && row.top < view.scroll + height - AXIS);
  const body = () => {
    pen.beginPath();
    pen.rect(gutter, view.scroll, width - gutter, height);
    pen.clip();
  };
  pen.save();
  body();
  for (const row of seen) if (row.kind === "head") paintBlock(pen, row, view, scene, colours, x);
  grid(pen, view, colours, x);
  for (const row of seen) paintRow(pen, row, view, scene, colours, x);
  pen.restore();
  for (const row of seen) label(pen, row, view, scene, colours);
  pen.restore();
  axis(pen, view, colours, x);
  present(pen, view, scene.present, colours, x);
}

function paintBlock(pen, row, view, scene, colours, x) {
  pen.fillStyle = colours.bars;
  for (const [from, to] of pairs(row.target.gaps, view.from, view.to)) {
    pen.fillRect(x(from), row.top, x(to) - x(from), row.blockHeight);
  }
  for (const sequence of row.target.sequences) {
    pen.fillStyle = colours.dots;
    pen.globalAlpha = 0.35;
    for (const [from, to] of pairs(sequence.people, view.from, view.to)) {
      pen.fillRect(x(from), row.top, x(to) - x(from), row.blockHeight);
    }
    pen.globalAlpha = 0.8;
    pen.fillStyle = colours.hatch;
    for (const step of sequence.steps) {
      if (step.clear && step.clear[1] > view.from && step.clear[0] < view.to) {
        pen.fillRect(x(step.clear[0]), row.top, Math.max(x(step.clear[1]) - x(step.clear[0]), 3), row.blockHeight);
      }
    }
    pen.globalAlpha = 1;
  }
}

function paintRow(pen, row, view, scene, colours, x) {
  const focus = scene.focus;
  if (row.kind === "head") {
    pen.fillStyle = colours.shadow;
    for (const [from, to] of pairs(scene.light.shadow?.[row.target.target] ?? [], view.from, view.to)) {
      pen.fillRect(x(from), row.top + row.height - 7, Math.max(x(to) - x(from), 0.5), 5);
    }
    pen.fillStyle = colours.rule;
    pen.fillRect(view.gutter, row.top, view.width, 1);
  }
  if (row.kind === "lane") {
    pen.fillStyle = colours.night;
    for (const [from, to] of pairs(scene.light.night?.[row.lane.station] ?? [], view.from, view.to)) {
      pen.fillRect(x(from), row.top + row.height - 4, x(to) - x(from), 3);
    }
    lanes(pen, [row.lane], row, view, colours, x, row.target.uncertain_ms);
  }
  if (row.kind === "folded") lanes(pen, row.lanes, row, view, colours, x, row.target.uncertain_ms);
  if (row.kind === "step") stepRow(pen, row, view, colours, x);
  if (focus && focus.row === row) {
    pen.strokeStyle = colours.focus;
    pen.lineWidth = 2;
    const from = Math.max(x(focus.item.from), view.gutter + 1);
    pen.strokeRect(from - 2, row.top + 1, Math.max(Math.min(x(focus.item.to), view.width) - from, 4) + 4, row.height - 2);
  }
}

/** How high an elevation stands in a lane: its square root, so that low passes can be seen. */
const rise = (elevation, room) => room * Math.sqrt(Math.max(elevation, 0) / 90);

function lanes(pen, list, row, view, colours, x, uncertain) {
  const base = row.top + row.height - (row.kind === "lane" ? 5 : 4);
  const room = row.height - 9;
  const perMs = (view.width - view.gutter) / (view.to - view.from);
  const columns = [];
  for (const lane of list) {
    maybe(pen, lane, base, view, colours, x);
    const [first, last] = visible(lane, view.from, view.to);
    for (let index = first; index < last; index += 1) {
      if ((lane.los[index] - lane.aos[index]) * perMs < SHAPE_FROM_PX) columns.push(lane, index);
      else shape(pen, lane, index, base, room, view, colours, x, uncertain * perMs);
    }
  }
  if (columns.length) paintColumns(pen, columns, base, room, view, colours, perMs);
  pen.fillStyle = colours.rule;
  pen.fillRect(view.gutter, base, view.width, 1);
}

/** When the target may be in view, where a manoeuvre leaves that open: a dashed frame. */
function maybe(pen, lane, base, view, colours, x) {
  pen.strokeStyle = colours.soft;
  pen.lineWidth = 1;
  pen.setLineDash([3, 3]);
  for (const [from, to] of pairs(lane.maybe, view.from, view.to)) {
    pen.strokeRect(x(from), base - 8, Math.max(x(to) - x(from), 2), 8);
  }
  pen.setLineDash([]);
}

function paintColumns(pen, columns, base, room, view, colours, perMs) {
  const tops = new Float32Array(Math.ceil(view.width) + 2);
  const commands = new Uint8Array(tops.length);
  for (let place = 0; place < columns.length; place += 2) {
    const [lane, index] = [columns[place], columns[place + 1]];
    const column = Math.round(view.gutter + (lane.tca[index] - view.from) * perMs);
    if (column < 0 || column >= tops.length) continue;
    if (lane.max[index] > tops[column]) tops[column] = lane.max[index];
    if (lane.commanded === undefined) mark(lane);
    if (lane.commanded[index]) commands[column] = 1;
  }
  for (const [wanted, colour] of [[0, colours.line], [1, colours.window]]) {
    pen.fillStyle = colour;
    pen.beginPath();
    for (let column = 0; column < tops.length; column += 1) {
      if (tops[column] > 0 && commands[column] === wanted) {
        const top = rise(tops[column], room);
        pen.rect(column, base - top, 1.5, top);
      }
    }
    pen.fill();
  }
}

/** Note, once for each lane, which contacts have a command window. */
function mark(lane) {
  lane.commanded = new Uint8Array(lane.aos.length);
  let window = 0;
  for (let index = 0; index < lane.aos.length; index += 1) {
    while (window < lane.windows.length && lane.windows[window + 1] <= lane.aos[index]) window += 2;
    if (window < lane.windows.length && lane.windows[window] < lane.los[index]) lane.commanded[index] = 1;
  }
}

function shape(pen, lane, index, base, room, view, colours, x, uncertainPx) {
  const [aos, los] = [lane.aos[index], lane.los[index]];
  const points = profile(lane, index);
  const last = points.length - 1;
  const trace = () => {
    pen.beginPath();
    pen.moveTo(x(aos), base);
    for (let place = 0; place <= last; place += 1) {
      pen.lineTo(x(aos + (place / last) * (los - aos)), base - rise(points[place], room));
    }
    pen.lineTo(x(los), base);
  };
  for (const [from, to] of pairs(lane.windows, aos, los)) {
    pen.save();
    pen.beginPath();
    pen.rect(x(Math.max(from, aos)), base - room - 2, x(Math.min(to, los)) - x(Math.max(from, aos)), room + 2);
    pen.clip();
    trace();
    pen.fillStyle = colours.window;
    pen.fill();
    pen.restore();
  }
  trace();
  pen.strokeStyle = colours.soft;
  pen.lineWidth = 1.2;
  pen.stroke();
  if (uncertainPx > 1) {
    pen.strokeStyle = colours.ink;
    pen.lineWidth = 2;
    pen.beginPath();
    for (const edge of [x(aos), x(los)]) {
      pen.moveTo(edge - uncertainPx, base - 4);
      pen.lineTo(edge - uncertainPx, base + 3);
      pen.moveTo(edge - uncertainPx, base - 0.5);
      pen.lineTo(edge + uncertainPx, base - 0.5);
      pen.moveTo(edge + uncertainPx, base - 4);
      pen.lineTo(edge + uncertainPx, base + 3);
    }
    pen.stroke();
  }
}

function stepRow(pen, row, view, colours, x) {
  const step = row.step;
  if (step.latest_ms < view.from || step.earliest_ms > view.to) return;
  const [from, to] = [x(step.earliest_ms), x(step.latest_ms)];
  const [top, tall] = [row.top + 5, row.height - 10];
  const wide = Math.max(to - from, 6);
  const colour = {covered: colours.window, "at risk": colours.risk, uncovered: colours.lost}[step.coverage] ?? colours.soft;
  pen.fillStyle = step.coverage === "uncovered" ? colours.ground : colour;
  pen.fillRect(from, top, wide, tall);
  pen.strokeStyle = colour;
  pen.lineWidth = 2;
  pen.strokeRect(from, top, wide, tall);
  pen.fillStyle = colours.ink;
  pen.fillRect(x(step.nominal_ms) - 1, row.top + 2, 2, row.height - 4);
  if (step.stop_by_ms && step.stop_by_ms >= view.from) {
    const at = x(step.stop_by_ms);
    pen.fillStyle = colours.warning;
    pen.fillRect(at, row.top + 2, 2, row.height - 4);
    pen.beginPath();
    pen.moveTo(at, row.top + 2);
    pen.lineTo(at + 10, row.top + 2);
    pen.lineTo(at + 6, row.top + 6);
    pen.lineTo(at + 10, row.top + 10);
    pen.lineTo(at, row.top + 10);
    pen.fill();
  }
}

function label(pen, row, view, scene, colours) {
  pen.fillStyle = colours.sheet;
  pen.fillRect(0, row.top, view.gutter, row.height);
  pen.textBaseline = "middle";
  const middle = row.top + row.height / 2 + 1;
  const text = {head: () => row.target.target, lane: () => row.lane.station, step: () => row.step.step,
    folded: () => `${row.lanes.length} stations together`}[row.kind]();
  pen.font = `${row.kind === "head" ? "600" : "400"} ${view.type}px Watch, sans-serif`;
  pen.fillStyle = row.kind === "head" ? colours.ink : colours.soft;
  pen.fillText(shortened(pen, text, view.gutter - (row.kind === "head" ? 14 : 28)), row.kind === "head" ? 10 : 22, middle);
  if (row.kind === "head") {
    pen.fillStyle = colours.rule;
    pen.fillRect(0, row.top, view.gutter, 1);
  }
  if (row.kind === "step" && row.step.hazard) {
    pen.fillStyle = colours.hatch;
    pen.fillRect(8, row.top + 5, 9, row.height - 10);
  }
}

const widths = new Map();

function shortened(pen, text, room) {
  const key = `${pen.font}|${text}|${room}`;
  let found = widths.get(key);
  if (found === undefined) {
    found = text;
    while (found.length > 3 && pen.measureText(found).width > room) found = `${found.slice(0, -2).trimEnd()}…`;
    if (widths.size > 2000) widths.clear();
    widths.set(key, found);
  }
  return found;
}

function tickStep(view) {
  const least = (view.to - view.from) / (view.width - view.gutter) * 78;
  return STEPS.find((step) => step >= least) ?? STEPS.at(-1);
}

function grid(pen, view, colours, x) {
  const step = tickStep(view);
  pen.fillStyle = colours.rule;
  for (let when = Math.ceil(view.from / step) * step; when < view.to; when += step) {
    pen.globalAlpha = when % DAY === 0 ? 1 : 0.5;
    pen.fillRect(Math.round(x(when)), view.scroll, 1, view.height);
  }
  pen.globalAlpha = 1;
}

function axis(pen, view, colours, x) {
  pen.fillStyle = colours.sheet;
  pen.fillRect(0, 0, view.width, AXIS);
  pen.fillStyle = colours.line;
  pen.fillRect(0, AXIS - 1, view.width, 1);
  const step = tickStep(view);
  pen.textBaseline = "alphabetic";
  let dayUntil = -Infinity;
  for (let when = Math.floor(view.from / step) * step; when < view.to; when += step) {
    const at = x(when);
    const text = clock(when, step < MINUTE);
    if (at >= view.gutter && step < DAY) {
      pen.font = `400 ${view.type - 1}px Watch, sans-serif`;
      pen.fillStyle = colours.soft;
      pen.fillText(text, at + 3, AXIS - 7);
      pen.fillRect(Math.round(at), AXIS - 8, 1, 8);
    }
    if (step >= DAY) {
      if (at < view.gutter || at > view.width - 60) continue;
      pen.font = `600 ${view.type}px Watch, sans-serif`;
      pen.fillStyle = colours.ink;
      pen.fillText(day(when).slice(5), at + 3, AXIS - 9);
      pen.fillRect(Math.round(at), AXIS - 8, 1, 8);
      continue;
    }
    const midnight = Math.floor(when / DAY) * DAY;
    const place = Math.max(x(midnight), view.gutter) + 4;
    if (midnight > dayUntil && place < view.width - 90) {
      dayUntil = midnight;
      pen.font = `600 ${view.type}px Watch, sans-serif`;
      pen.fillStyle = colours.ink;
      if (x(midnight + DAY) > place + 84) pen.fillText(day(midnight), place, 15);
    }
  }
  pen.fillStyle = colours.sheet;
  pen.fillRect(0, 0, view.gutter, AXIS - 1);
  pen.font = `400 ${view.type - 1}px Watch, sans-serif`;
  pen.fillStyle = colours.soft;
  pen.fillText("UTC", 10, AXIS - 7);
}

function present(pen, view, when, colours, x) {
  const at = x(when);
  if (at < view.gutter || at > view.width) return;
  pen.fillStyle = colours.ink;
  pen.fillRect(at - 1, AXIS - 12, 3, view.height);
}

