// The station's sky as a disc: zenith in the middle, horizon at the rim, north up, east at the right.

import {draw} from "../dom.js";
import {clock, parse} from "../times.js";

const R = 200;
const EDGE = 34;
const SIZE = R + EDGE;
const LABEL = 88;
const RADIANS = Math.PI / 180;

/** Where an azimuth and elevation stand on the disc. */
export function place(azimuth, elevation) {
  const radius = R * (90 - Math.min(Math.max(elevation, 0), 90)) / 90;
  return [radius * Math.sin(azimuth * RADIANS), -radius * Math.cos(azimuth * RADIANS)];
}

const path = (points) => points.map(([x, y], index) => `${index ? "L" : "M"}${x.toFixed(2)} ${y.toFixed(2)}`).join("");

/** The picture of a contact, and what moves the target along it. */
export function dome(sky) {
  const {samples, contact} = sky;
  const points = samples.azimuth_deg.map((azimuth, index) => place(azimuth, samples.elevation_deg[index]));
  const target = draw("g", {class: "dome-target", visibility: "hidden"}, draw("circle", {r: 9, class: "halo"}), draw("circle", {r: 4.5}));
  const element = draw("svg", {viewBox: `${-SIZE} ${-SIZE} ${2 * SIZE} ${2 * SIZE}`, role: "img", "aria-label": inWords(sky)},
    draw("circle", {r: R, class: "sky-disc"}), maskShape(sky.mask),
    [0, 30, 60].map((elevation) => draw("circle", {r: R * (90 - elevation) / 90, class: "sky-ring"})),
    [30, 60].map((elevation) => draw("text", {x: 4, y: -R * (90 - elevation) / 90 - 3, class: "sky-small"}, `${elevation}°`)),
    spokes(), sky.highest_elevation_deg < 90 ? draw("circle", {r: R * (90 - sky.highest_elevation_deg) / 90, class: "keyhole"}) : null,
    heaven(samples.sun, "sun", "Sun"), heaven(samples.moon, "moon", "Moon"),
    draw("path", {class: "track-line", d: path(points)}), partLines(sky.windows.command ?? [], samples, points, "track-window"), partLines(sky.keyhole, samples, points, "track-lost"),
    minutes(samples, points), end(points, 0, "AOS", parse(contact.aos)), end(points, points.length - 1, "LOS", parse(contact.los)), target);
  return {element, move(present) {
    const at = samples.unix_ms.findIndex((when) => when > present);
    if (at <= 0) {
      target.setAttribute("visibility", "hidden");
      return;
    }
    const part = (present - samples.unix_ms[at - 1]) / (samples.unix_ms[at] - samples.unix_ms[at - 1]);
    const [x, y] = [0, 1].map((axis) => points[at - 1][axis] + part * (points[at][axis] - points[at - 1][axis]));
    target.setAttribute("transform", `translate(${x} ${y})`);
    target.setAttribute("visibility", "visible");
  }};
}

function inWords({contact}) {
  return `Sky of ${contact.station}: ${contact.target} rises at azimuth ${Math.round(contact.aos_azimuth_deg)}°, stands highest at ${contact.max_elevation_deg.toFixed(0)}° in azimuth ${Math.round(contact.tca_azimuth_deg)}°, and sets at azimuth ${Math.round(contact.los_azimuth_deg)}°.`;
}

function maskShape(mask) {
  const inner = mask.map(([azimuth, low]) => place(azimuth, low));
  const outer = mask.map(([azimuth]) => place(azimuth, 0)).reverse();
  return draw("path", {class: "sky-mask", d: `${path(inner)}Z${path(outer)}Z`, "fill-rule": "evenodd"});
}

function spokes() {
  const names = {0: "N", 90: "E", 180: "S", 270: "W"};
  return [...Array(12).keys()].map((index) => {
    const azimuth = index * 30;
    const [x, y] = place(azimuth, 0);
    const [textX, textY] = [x * (1 + 18 / R), y * (1 + 18 / R) + 5];
    return [draw("line", {class: "sky-spoke", x1: x * 0.06, y1: y * 0.06, x2: x, y2: y}),
      draw("text", {class: names[azimuth] ? "sky-name" : "sky-small", x: textX, y: textY, "text-anchor": "middle"}, names[azimuth] ?? String(azimuth))];
  });
}

function heaven(body, kind, name) {
  const [azimuth, elevation] = [body.azimuth_deg[1], body.elevation_deg[1]];
  if (elevation < 0) return null;
  const [x, y] = place(azimuth, elevation);
  const rays = [...Array(8).keys()].map((index) => {
    const [dx, dy] = [Math.sin(index * 45 * RADIANS), Math.cos(index * 45 * RADIANS)];
    return `M${8 * dx} ${8 * dy}L${12 * dx} ${12 * dy}`;
  }).join("");
  const shape = kind === "sun" ? [draw("circle", {r: 5.5}), draw("path", {d: rays})] : [draw("path", {class: "solid", d: "M4 -7 A8 8 0 1 0 4 7 A8.6 8.6 0 0 1 4 -7Z"})];
  return draw("g", {class: `heaven ${kind}`, transform: `translate(${x} ${y})`}, shape, draw("text", {x: 15, y: 5}, name));
}

/** The parts of the track that lie in some spans of time. */
function partLines(spans, samples, points, className) {
  return spans.map((span) => {
    const [from, to] = [parse(span.from), parse(span.to)];
    const inside = points.filter((_, index) => samples.unix_ms[index] >= from && samples.unix_ms[index] <= to);
    return inside.length > 1 && draw("path", {class: className, d: path(inside)});
  }).filter(Boolean);
}

function minutes(samples, points) {
  const whole = samples.unix_ms.map((when, index) => [when, index]).filter(([when]) => when % 60_000 === 0);
  const every = Math.max(1, Math.ceil(whole.length / 16));
  const far = ([x, y]) => [points[0], points.at(-1)].every(([endX, endY]) => Math.hypot(x - endX, y - endY) > 24);
  return whole.filter((_, place) => place % every === 0).map(([when, index], order) => {
    const [x, y] = points[index];
    const [sideX, sideY] = normal(points, index);
    return [draw("line", {class: "minute", x1: x - 4 * sideX, y1: y - 4 * sideY, x2: x + 4 * sideX, y2: y + 4 * sideY}),
      order % 2 === 0 && far([x, y]) && draw("text", {class: "sky-small", x: x + 20 * sideX, y: y + 14 * sideY + 4, "text-anchor": "middle"}, clock(when, false).slice(0, 5))];
  });
}

/** The direction to the side of the track at a point. */
function normal(points, index) {
  const [before, after] = [points[Math.max(index - 1, 0)], points[Math.min(index + 1, points.length - 1)]];
  const size = Math.hypot(after[0] - before[0], after[1] - before[1]) || 1;
  return [(after[1] - before[1]) / size, -(after[0] - before[0]) / size];
}

function end(points, index, name, when) {
  const [x, y] = points[index];
  const [sideX, sideY] = normal(points, index);
  const labelX = x - 13 * sideX;
  const outward = sideX > 0.35 ? "end" : sideX < -0.35 ? "start" : "middle";
  // A label that would run off the picture runs inward instead.
  const anchor = labelX - LABEL < -SIZE && outward !== "start" ? "start" : labelX + LABEL > SIZE && outward !== "end" ? "end" : outward;
  return draw("g", {class: "sky-end"}, name === "AOS" ? draw("path", {d: `M${x - 6} ${y + 5}L${x + 6} ${y + 5}L${x} ${y - 7}Z`}) : draw("rect", {x: x - 5, y: y - 5, width: 10, height: 10}),
    draw("text", {x: labelX, y: anchor === outward ? y - 16 * sideY + 4 : y + (points[points.length >> 1][1] < y ? 24 : -16), "text-anchor": anchor}, `${name} ${clock(when)}`));
}
