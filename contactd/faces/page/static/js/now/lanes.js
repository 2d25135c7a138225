// Lanes: time from now on runs from left to right, wide for the next minutes and narrow for the days
// behind them, so that all that is coming is in sight and what is near has room. Everything slides
// towards the left edge, which is now.

import {draw, make} from "../dom.js";
import {DAY, HOUR, MINUTE} from "../times.js";

const REACH = 7 * DAY;
const KNEE = 3 * MINUTE;
const TICKS = [[MINUTE, "1"], [5 * MINUTE, "5 min"], [15 * MINUTE, "15"], [30 * MINUTE, "30"], [HOUR, "1 h"], [2 * HOUR, "2"],
  [4 * HOUR, "4"], [8 * HOUR, "8"], [DAY, "1 d"], [2 * DAY, "2"], [4 * DAY, "4"], [7 * DAY, "7 d"]];
const MINOR = ["15", "2", "4", "8"];

const FILLS = {clear: "url(#hatch)", near: "url(#dots)"};

/** Where a moment so far ahead lies, from 0 (now, or past) to 1 (seven days or later). */
export function along(ahead) {
  if (ahead <= 0) return 0;
  return Math.min(1, Math.log1p(ahead / KNEE) / Math.log1p(REACH / KNEE));
}

const percent = (part) => `${(100 * part).toFixed(3)}%`;

/** The scale over the lanes. */
export function axis() {
  const scale = make("div", {class: "axis", "aria-hidden": "true"}, make("span", {class: "axis-now"}, "now"));
  for (const [ahead, text] of TICKS) {
    const tick = make("span", {class: `tick${along(ahead) > 0.98 ? " last" : ""}${/[a-z]/.test(text) ? " unit" : ""}${MINOR.includes(text) ? " minor" : ""}`}, text);
    tick.style.left = percent(along(ahead));
    scale.append(tick);
  }
  return scale;
}

/** An empty lane, its figures placed by `at(moment)`; `label` says in words what it shows. */
export class Lane {
  constructor(label, height) {
    this.picture = draw("svg", {role: "img", "aria-label": label, height});
    this.height = height;
    this.parts = [];
    for (const [ahead] of TICKS) {
      this.picture.append(draw("line", {class: "grid", x1: percent(along(ahead)), x2: percent(along(ahead)), y1: 0, y2: height}));
    }
    this.element = make("div", {class: "lane"}, this.picture);
  }

  /** A span of time as a bar from `top` to `bottom`. */
  bar(from, to, className, top, bottom, least = 1.5) {
    const shape = draw("rect", {class: className, y: top, height: bottom - top, fill: FILLS[className]});
    this.picture.append(shape);
    this.parts.push((present) => {
      const [start, end] = [along(from - present), along(to - present)];
      shape.setAttribute("visibility", to <= present || from - present >= REACH ? "hidden" : "visible");
      shape.setAttribute("x", percent(start));
      shape.setAttribute("width", (end - start) * this.picture.clientWidth < least ? `${least}px` : percent(end - start));
    });
    return this;
  }

  /** A moment as an upright stroke. */
  stroke(when, className, top, bottom) {
    const shape = draw("line", {class: className, y1: top, y2: bottom});
    this.picture.append(shape);
    this.parts.push((present) => {
      const x = percent(along(when - present));
      shape.setAttribute("visibility", when <= present || when - present > REACH ? "hidden" : "visible");
      shape.setAttribute("x1", x);
      shape.setAttribute("x2", x);
    });
    return this;
  }

  /** A moment as a sign that hangs from a point: a small flag. */
  flag(when, className, y) {
    const shape = draw("path", {class: className, d: `M0 ${y} v30 M0 ${y} h10 l-3 4 l3 4 h-10`});
    const holder = draw("svg", {class: "flag", overflow: "visible"}, shape);
    this.picture.append(holder);
    this.parts.push((present) => {
      holder.setAttribute("visibility", when <= present || when - present > REACH ? "hidden" : "visible");
      holder.setAttribute("x", percent(along(when - present)));
    });
    return this;
  }

  /** Slide everything to where it is at a moment. */
  move(present) {
    for (const part of this.parts) part(present);
  }
}

/** The patterns that lanes fill with: hatching for keep-clear, dots for people near. */
export function patterns() {
  return draw("svg", {class: "unseen", "aria-hidden": "true", width: 0, height: 0}, draw("defs", {},
    draw("pattern", {id: "hatch", width: 7, height: 7, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)"},
      draw("rect", {class: "hatch-line", width: 2.2, height: 7})),
    draw("pattern", {id: "dots", width: 6, height: 6, patternUnits: "userSpaceOnUse"},
      draw("circle", {class: "dot", cx: 2, cy: 2, r: 1.3}))));
}
