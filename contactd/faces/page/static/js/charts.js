// Curves over time: uPlot, in the page's colours, with times in UTC.

import {ink} from "./choices.js";
import {make} from "./dom.js";
import {clock} from "./times.js";
import uPlot from "../vendor/uplot/uplot.js";

/** Load uPlot's styles once. */
export function styleCharts() {
  if (!document.querySelector("link[data-charts]")) {
    document.head.append(make("link", {rel: "stylesheet", href: "/static/vendor/uplot/uplot.css", dataset: {charts: ""}}));
  }
}

/** A chart of curves over time. `times` in milliseconds; `curves` [{label, unit, values, colour, dash, scale}]. */
export function chart(place, title, times, curves, options = {}) {
  const axis = (side, scale, label, values) => ({side, scale, label, values, stroke: ink("soft"), font: "13px Watch, sans-serif", labelFont: "13px Watch, sans-serif",
    grid: {stroke: ink("rule"), width: 1, show: side !== 1}, ticks: {stroke: ink("rule"), width: 1}, size: side === 2 ? 30 : 58, labelSize: 18, labelGap: 0});
  const scales = [...new Set(curves.map((curve) => curve.scale ?? "y"))];
  const element = make("figure", {class: "chart"}, make("figcaption", {}, title));
  place.append(element);
  const plot = new uPlot({
    width: Math.max(element.clientWidth, 200), height: options.height ?? 190, ms: 1, padding: [8, 8, 0, 0], legend: {show: false}, cursor: {y: false, points: {size: 6}},
    scales: {x: {time: false}, ...Object.fromEntries(scales.map((scale) => [scale, options.ranges?.[scale] ? {range: options.ranges[scale]} : {}]))},
    axes: [axis(2, "x", null, (_, ticks) => ticks.map((tick) => clock(tick, false))),
      ...scales.map((scale, index) => axis(index ? 1 : 3, scale, scale === "y" && options.label ? options.label : curves.filter((curve) => (curve.scale ?? "y") === scale).map((curve) => `${curve.label}, ${curve.unit}`)[0]))],
    series: [{}, ...curves.map((curve) => ({label: curve.label, scale: curve.scale ?? "y", stroke: ink(curve.colour), width: 2, dash: curve.dash, points: {show: false}, spanGaps: false, fill: curve.fill && ink(curve.fill)}))],
    plugins: options.plugins ?? [],
  }, [times, ...curves.map((curve) => curve.values)], element);
  const watching = new ResizeObserver(() => plot.setSize({width: Math.max(element.clientWidth, 200), height: options.height ?? 190}));
  watching.observe(element);
  const canvas = element.querySelector("canvas");
  canvas.setAttribute("role", "img");
  canvas.setAttribute("aria-label", `${title}; the same figures stand in the table below`);
  return {plot, element, end() {
    watching.disconnect();
    plot.destroy();
    element.remove();
  }};
}
