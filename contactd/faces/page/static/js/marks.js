// Signs that stand beside words, told apart by their shapes as well as their colours.

import {draw, make} from "./dom.js";

const SHAPES = {
  covered: () => [draw("circle", {cx: 8, cy: 8, r: 6.5, fill: "currentColor"})],
  "at risk": () => [
    draw("circle", {cx: 8, cy: 8, r: 6, fill: "none", stroke: "currentColor", "stroke-width": 2}),
    draw("path", {d: "M8 2 A6 6 0 0 0 8 14 Z", fill: "currentColor"})],
  uncovered: () => [
    draw("circle", {cx: 8, cy: 8, r: 6, fill: "none", stroke: "currentColor", "stroke-width": 2.4}),
    draw("path", {d: "M4.2 11.8 L11.8 4.2", stroke: "currentColor", "stroke-width": 2.4})],
  advisory: () => [
    draw("rect", {x: 2.5, y: 2.5, width: 11, height: 11, fill: "none", stroke: "currentColor", "stroke-width": 2}),
    draw("path", {d: "M8 7v4M8 4.6v1.2", stroke: "currentColor", "stroke-width": 2})],
  caution: () => [
    draw("path", {d: "M8 1.8 L15 14 H1 Z", fill: "none", stroke: "currentColor", "stroke-width": 2, "stroke-linejoin": "round"}),
    draw("path", {d: "M8 6v4.2M8 11.4v1.2", stroke: "currentColor", "stroke-width": 1.8})],
  warning: () => [
    draw("path", {d: "M8 0.8 L15.2 8 L8 15.2 L0.8 8 Z", fill: "currentColor"}),
    draw("path", {d: "M8 4v5M8 10.4v1.6", stroke: "var(--ground)", "stroke-width": 2})],
  good: () => [draw("path", {d: "M2.5 8.5 L6.5 12.5 L13.5 4", fill: "none", stroke: "currentColor", "stroke-width": 2.4})],
  clear: () => [
    draw("path", {d: "M2 14 L14 2 M2 8.5 L8.5 2 M7.5 14 L14 7.5", stroke: "currentColor", "stroke-width": 2})],
};

/** The sign of a verdict or severity; it says nothing to those who listen, words stand beside it. */
export function mark(name) {
  return draw("svg", {class: `mark ${name.replace(" ", "-")}`, viewBox: "0 0 16 16", "aria-hidden": "true"}, SHAPES[name]());
}

/** Sign and word of a verdict: covered, at risk, uncovered. */
export function verdict(covered) {
  if (covered === null) return make("span", {class: "quiet"}, "needs no station");
  return make("b", {class: covered.replace(" ", "-")}, mark(covered), " ", covered);
}

/** Sign and word of a severity. */
export function severity(name) {
  return make("b", {class: name}, mark(name), " ", name);
}
