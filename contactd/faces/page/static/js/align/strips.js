// A strip for each rule, lit where it would allow the start; above them the margin of the starts that
// all of them allow.

import {draw, make} from "../dom.js";
import {DAY, HOUR, clock, day, length, parse} from "../times.js";

const WIDE = 1000;
const TALL = 110;
const STRIP = 18;

export function strips(answer, at, choose) {
  const [from, to] = [parse(answer.allowed.from), parse(answer.allowed.to)];
  const x = (when) => WIDE * (when - from) / (to - from);
  const spans = answer.feasible.map((each) => [parse(each.from), parse(each.to)]);
  const greatest = Math.max(60_000, ...spans.map(([first, last]) => (last - first) / 2));
  const height = TALL + answer.by_rule.length * STRIP;
  const tents = spans.map(([first, last]) => draw("path", {class: "tent", d: `M${x(first)} ${TALL}L${x((first + last) / 2)} ${TALL - (TALL - 12) * (last - first) / 2 / greatest}L${x(last)} ${TALL}Z`}));
  const lit = answer.by_rule.flatMap((rule, index) => rule.starts.map((each) => {
    const [first, last] = [Math.max(parse(each.from) ?? from, from), Math.min(parse(each.to) ?? to, to)];
    return draw("rect", {class: "lit", x: x(first), width: Math.max(x(last) - x(first), 1.2), y: TALL + index * STRIP + 3, height: STRIP - 6});
  }));
  const step = [HOUR, 2 * HOUR, 4 * HOUR, 6 * HOUR, 12 * HOUR, DAY, 2 * DAY].find((each) => (to - from) / each <= 9) ?? 4 * DAY;
  const ticks = [];
  for (let when = Math.ceil(from / step) * step; when < to; when += step) ticks.push(when);
  const picture = draw("svg", {viewBox: `0 0 ${WIDE} ${height}`, preserveAspectRatio: "none", height, role: "img", "aria-label": inWords(answer, spans)},
    ticks.map((when) => draw("line", {class: "grid", x1: x(when), x2: x(when), y1: 0, y2: height})),
    answer.by_rule.map((_, index) => draw("rect", {class: "strip", x: 0, width: WIDE, y: TALL + index * STRIP + 3, height: STRIP - 6})), lit,
    draw("line", {class: "base", x1: 0, x2: WIDE, y1: TALL, y2: TALL}), draw("line", {class: "chosen", x1: x(at), x2: x(at), y1: 0, y2: height}), tents);
  picture.addEventListener("click", (event) => {
    const box = picture.getBoundingClientRect();
    choose(Math.round((from + (to - from) * (event.clientX - box.left) / box.width) / 1000) * 1000);
  });
  const axis = make("div", {class: "strip-axis", "aria-hidden": "true"});
  for (const when of ticks) {
    const text = make("span", {}, step >= DAY || when % DAY === 0 ? day(when).slice(5) : clock(when, false));
    text.style.left = `${x(when) / WIDE * 100}%`;
    axis.append(text);
  }
  const names = make("ul", {class: "strip-names"}, make("li", {class: "strip-margin"}, `margin, up to ${length(greatest)}`),
    answer.by_rule.map((rule) => make("li", {}, make("span", {}, rule.step), `: ${rule.rule === "needs" ? "covered" : rule.rule}`)));
  return make("div", {class: "strips"}, names, make("div", {class: "strip-picture"}, picture, axis));
}

function inWords(answer, spans) {
  if (!spans.length) return "No allowed start time covers every step.";
  return `Start times that cover every step: ${spans.slice(0, 6).map(([first, last]) => `${clock(first)} to ${clock(last)}`).join(", ")}${spans.length > 6 ? ` and ${spans.length - 6} more` : ""}.`;
}
