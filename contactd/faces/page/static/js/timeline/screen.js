// Timeline: hours to days at a glance, every contact, countdown and keep-clear on one line of time.

import {onChoice} from "../choices.js";
import {announce, make, put} from "../dom.js";
import {get, now, on, service} from "../service.js";
import {DAY, HOUR} from "../times.js";
import {foldedAtFirst, prepared, rowsOf} from "./data.js";
import {AXIS, paint, palette} from "./paint.js";
import {itemsOf} from "./words.js";


const NARROWEST = 30_000;
const SPANS = [["6 h", 6 * HOUR], ["1 d", DAY], ["3 d", 3 * DAY], ["7 d", 7 * DAY]];
const PROFILES_BELOW = 14 * HOUR;
const MOST_PROFILED = 12;
const HELP = "Wheel or + and −: zoom. Drag or arrow keys: move. Page up and down: rows. Comma and full stop: from item to item. Enter: its sky, or fold a target.";

export function enter(place, query) {
  const canvas = make("canvas", {tabindex: 0, role: "application", "aria-label": "Timeline", "aria-describedby": "timeline-words timeline-help"});
  const words = make("p", {id: "timeline-words", class: "timeline-words", "aria-live": "polite"}, "Point at anything, or move to it with the comma and full stop keys, to read it here.");
  const chooser = make("select", {"aria-label": "Target"}, make("option", {value: ""}, "All targets"));
  const buttons = SPANS.map(([text, span]) => make("button", {type: "button", onclick: () => frame(span)}, text));
  const tools = make("div", {class: "tools"}, chooser, buttons,
    make("button", {type: "button", onclick: () => frameAll()}, "All"),
    make("button", {type: "button", onclick: () => toPresent()}, "Present"),
    make("button", {type: "button", "aria-label": "Zoom in", onclick: () => zoom(0.6)}, "+"),
    make("button", {type: "button", "aria-label": "Zoom out", onclick: () => zoom(1 / 0.6)}, "−"));
  put(place, make("h1", {class: "unseen"}, "Timeline"), tools, legend(), canvas, words,
    make("p", {class: "small quiet", id: "timeline-help"}, HELP));

  const pen = canvas.getContext("2d", {alpha: false});
  const view = {from: now() - HOUR, to: now() + DAY, scroll: 0, width: 100, height: 100, gutter: 150, type: 14};
  const scene = {rows: [], height: 0, light: {}, focus: null, present: now()};
  let timeline = null;
  let leftOut = new Set(); // Targets that are drawn only by themselves.
  let folded = null;
  let colours = null;
  let dirty = true;
  let alive = true;
  let mayProfile = 0;

  function touch() {
    dirty = true;
  }

  function lay() {
    const layout = rowsOf(timeline, chooser.value, folded);
    scene.rows = layout.rows;
    scene.height = layout.height;
    scene.focus = null;
    hold();
  }

  async function load() {
    try {
      const alone = leftOut.has(chooser.value) ? chooser.value : null;
      const [contacts, light] = await Promise.all([get("/timeline", {target: alone, known_at: service.knownAt}), get("/light")]);
      if (!alive) return;
      const profiles = new Map(timeline?.targets.flatMap((target) => target.stations.map((lane) => [`${target.target}|${lane.station}`, lane.profiles])));
      timeline = prepared(contacts);
      for (const target of timeline.targets) {
        for (const lane of target.stations) lane.profiles = profiles.get(`${target.target}|${lane.station}`) ?? lane.profiles;
      }
      folded ??= foldedAtFirst(timeline);
      scene.light = light;
      if (!alone) leftOut = new Set(contacts.left_out);
      const chosen = chooser.value || query.get("target") || "";
      const names = [...new Set([...timeline.targets.map((target) => target.target), ...leftOut])];
      const every = leftOut.size ? `The first ${timeline.targets.length} targets` : "All targets";
      put(chooser, make("option", {value: ""}, alone ? "The first targets" : every), names.map((name) => make("option", {value: name}, name)));
      chooser.value = names.includes(chosen) ? chosen : "";
      if (!alone && leftOut.has(chooser.value)) {
        await load();
        return;
      }
      lay();
      wantProfiles();
    } catch (problem) {
      words.textContent = `The timeline could not be loaded: ${problem.message}.`;
    }
  }

  /** Ask for true elevation profiles of what is in sight, once the view rests. */
  function wantProfiles() {
    clearTimeout(mayProfile);
    mayProfile = setTimeout(async () => {
      if (!timeline || view.to - view.from > PROFILES_BELOW) return;
      const seen = new Set(scene.rows.filter((row) => row.top + row.height > view.scroll && row.top < view.scroll + view.height).map((row) => row.target));
      for (const target of [...seen].slice(0, MOST_PROFILED)) {
        const from = new Date(Math.floor(view.from / HOUR) * HOUR).toISOString();
        const to = new Date(Math.ceil(view.to / HOUR) * HOUR).toISOString();
        if (target.profiled === from + to) continue;
        target.profiled = from + to;
        const found = await get("/profiles", {target: target.target, from, to, known_at: service.knownAt}).catch(() => null);
        if (!alive || !found) return;
        const lanes = new Map(target.stations.map((lane) => [lane.station, lane]));
        for (const each of found.profiles) lanes.get(each.station)?.profiles.set(each.aos, Float32Array.from(each.elevations, (value) => value / 100));
        touch();
      }
    }, 250);
  }

  function hold() {
    const span = Math.max(view.to - view.from, NARROWEST);
    const [first, last] = timeline ? [timeline.from, timeline.to] : [view.from, view.to];
    const widest = (last - first) * 1.05;
    if (span > widest) [view.from, view.to] = [first - 0.025 * (last - first), last + 0.025 * (last - first)];
    else {
      const middle = Math.min(Math.max((view.from + view.to) / 2, first), last);
      [view.from, view.to] = [middle - span / 2, middle + span / 2];
    }
    view.scroll = Math.max(0, Math.min(view.scroll, scene.height - (view.height - AXIS) + 20));
    touch();
    wantProfiles();
  }

  function zoom(factor, at = (view.from + view.to) / 2) {
    view.from = at - (at - view.from) * factor;
    view.to = at + (view.to - at) * factor;
    hold();
  }

  function pan(part) {
    const shift = part * (view.to - view.from);
    view.from += shift;
    view.to += shift;
    hold();
  }

  function frame(span) {
    view.from = scene.present - span / 12;
    view.to = view.from + span;
    hold();
  }

  function frameAll() {
    if (timeline) [view.from, view.to] = [timeline.from, timeline.to];
    hold();
  }

  function toPresent() {
    const span = view.to - view.from;
    view.from = scene.present - span / 12;
    view.to = view.from + span;
    hold();
  }

  function when(x) {
    return view.from + (x - view.gutter) / (view.width - view.gutter) * (view.to - view.from);
  }

  function rowAt(y) {
    const at = y - AXIS + view.scroll;
    return scene.rows.find((row) => at >= row.top && at < row.top + row.height);
  }

  function itemAt(x, y) {
    const row = y < AXIS ? null : rowAt(y);
    if (!row || x < view.gutter) return null;
    const at = when(x);
    const slack = 4 * (view.to - view.from) / (view.width - view.gutter);
    const items = itemsOf(row, scene.light, at - slack, at + slack).filter((item) => item.from - slack <= at && item.to + slack >= at);
    const item = items.at(-1);
    return item ? {row, item} : null;
  }

  function focusOn(found) {
    const same = found?.item.words === scene.focus?.item.words;
    scene.focus = found;
    if (found && !same) words.textContent = found.item.words;
    if (!same) touch();
  }

  function nextItem(direction) {
    const rows = scene.rows;
    if (!rows.length) return;
    const row = scene.focus?.row ?? rows.find((each) => each.top + each.height > view.scroll && each.kind !== "head") ?? rows[0];
    const items = itemsOf(row, scene.light, -Infinity, Infinity);
    if (!items.length) return;
    const at = scene.focus ? items.findIndex((item) => item.words === scene.focus.item.words) : -1;
    const ahead = items.findIndex((item) => item.to > scene.present);
    const index = at < 0 ? Math.max(ahead, 0) : Math.min(Math.max(at + direction, 0), items.length - 1);
    reveal({row, item: items[index]});
  }

  function nextRow(direction) {
    const rows = scene.rows;
    const at = scene.focus ? rows.indexOf(scene.focus.row) : rows.findIndex((row) => row.top + row.height > view.scroll) - 1;
    for (let index = at + direction; index >= 0 && index < rows.length; index += direction) {
      const items = itemsOf(rows[index], scene.light, -Infinity, Infinity);
      if (!items.length) continue;
      const middle = scene.focus ? scene.focus.item.from : scene.present;
      const nearest = items.reduce((best, item) => Math.abs(item.from - middle) < Math.abs(best.from - middle) ? item : best);
      reveal({row: rows[index], item: nearest});
      return;
    }
  }

  function reveal(found) {
    const {row, item} = found;
    if (item.to < view.from || item.from > view.to) {
      const span = view.to - view.from;
      view.from = (item.from + item.to) / 2 - span / 2;
      view.to = view.from + span;
    }
    if (row.top < view.scroll) view.scroll = row.top;
    if (row.top + row.height > view.scroll + view.height - AXIS) view.scroll = row.top + row.height - view.height + AXIS;
    focusOn(found);
    hold();
  }

  function fold(target) {
    if (folded.has(target)) folded.delete(target);
    else folded.add(target);
    lay();
    announce(folded.has(target) ? `${target}: stations together` : `${target}: each station by itself`);
  }

  function activate(found) {
    if (found?.row.kind === "head" || (found && !found.item.goes)) fold(found.row.target.target);
    else if (found) location.hash = found.item.goes;
  }

  const KEYS = {
    ArrowLeft: () => pan(-0.1), ArrowRight: () => pan(0.1), "+": () => zoom(0.7), "=": () => zoom(0.7), "-": () => zoom(1 / 0.7),
    ArrowDown: () => nextRow(1), ArrowUp: () => nextRow(-1), PageDown: () => scrollRows(0.8), PageUp: () => scrollRows(-0.8),
    ".": () => nextItem(1), ",": () => nextItem(-1), Home: () => toPresent(), Enter: () => activate(scene.focus), Escape: () => focusOn(null),
  };

  function scrollRows(part) {
    view.scroll += part * (view.height - AXIS);
    hold();
  }

  canvas.addEventListener("keydown", (event) => {
    const action = KEYS[event.key];
    if (!action || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    action();
  });
  canvas.addEventListener("wheel", (event) => {
    event.preventDefault();
    if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY)) {
      if (event.deltaX) pan(event.deltaX / 800);
      else scrollRows(event.deltaY / 800);
    } else zoom(Math.exp(event.deltaY * 0.0016), when(event.offsetX));
  }, {passive: false});
  follow(canvas, {
    drag(dx, dy) {
      view.scroll -= dy;
      pan(-dx / (view.width - view.gutter));
    },
    pinch: (factor, x) => zoom(factor, when(x)),
    hover: (x, y) => focusOn(itemAt(x, y)),
    press(x, y) {
      const row = rowAt(y);
      if (x < view.gutter && row) fold(row.target.target);
      else {
        const found = itemAt(x, y);
        if (found && found.item.words === scene.pressed) activate(found);
        scene.pressed = found?.item.words;
        focusOn(found);
      }
    },
  });

  function size() {
    const box = canvas.getBoundingClientRect();
    const ratio = devicePixelRatio || 1;
    view.width = Math.max(box.width, 50);
    view.height = Math.max(box.height, 50);
    view.type = parseFloat(getComputedStyle(document.documentElement).fontSize) * 0.875;
    view.gutter = Math.min(view.type * 11.5, view.width * 0.3);
    canvas.width = Math.round(view.width * ratio);
    canvas.height = Math.round(view.height * ratio);
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    colours = palette(pen);
    hold();
  }

  function beat() {
    if (!alive) return;
    if (dirty && colours) {
      dirty = false;
      paint(pen, view, scene, colours);
    }
    requestAnimationFrame(beat);
  }

  const watching = new ResizeObserver(size);
  watching.observe(canvas);
  chooser.addEventListener("change", () => {
    view.scroll = 0;
    if (leftOut.size) load();
    else lay();
  });
  let due = 0;
  const stops = [on("change", () => {
    clearTimeout(due);
    due = setTimeout(load, 1500);
  }), on("travel", load), onChoice(size)];
  const timer = setInterval(() => {
    scene.present = service.knownAt === null ? now() : Date.parse(service.knownAt);
    touch();
  }, 1000);
  document.fonts.ready.then(touch);
  size();
  load().then(() => {
    scene.present = now();
    canvas.dataset.ready = "";
    frame(Number(query.get("hours") || 24) * HOUR);
  });
  beat();
  return () => {
    alive = false;
    watching.disconnect();
    clearInterval(timer);
    clearTimeout(due);
    clearTimeout(mayProfile);
    stops.forEach((stop) => stop());
  };
}

/** Pointers: dragging with one, pinching with two, hovering with none. */
function follow(canvas, told) {
  const down = new Map();
  let moved = 0;
  canvas.addEventListener("pointerdown", (event) => {
    canvas.setPointerCapture(event.pointerId);
    down.set(event.pointerId, [event.offsetX, event.offsetY]);
    moved = 0;
  });
  canvas.addEventListener("pointermove", (event) => {
    const here = [event.offsetX, event.offsetY];
    const before = down.get(event.pointerId);
    if (!before) {
      told.hover(...here);
      return;
    }
    if (down.size === 1) {
      moved += Math.abs(here[0] - before[0]) + Math.abs(here[1] - before[1]);
      if (moved > 3) told.drag(here[0] - before[0], here[1] - before[1]);
    } else {
      const [other] = [...down].filter(([id]) => id !== event.pointerId).map(([, at]) => at);
      const [was, is] = [Math.hypot(before[0] - other[0], before[1] - other[1]), Math.hypot(here[0] - other[0], here[1] - other[1])];
      moved += 10;
      if (was > 5 && is > 5) told.pinch(was / is, (here[0] + other[0]) / 2);
    }
    down.set(event.pointerId, here);
  });
  const up = (event) => {
    if (down.delete(event.pointerId) && moved <= 3 && event.type === "pointerup") told.press(event.offsetX, event.offsetY);
  };
  canvas.addEventListener("pointerup", up);
  canvas.addEventListener("pointercancel", up);
}

function legend() {
  const signs = [["profile", "contact, by its elevation"], ["window", "command window"], ["step covered", "expires, covered"],
    ["step at-risk", "at risk"], ["step uncovered", "uncovered"], ["stop", "stop by"], ["clear", "keep clear"], ["near", "people near"],
    ["night", "night at the station"], ["shadow", "target in shadow"], ["maybe", "possible contact"], ["gap", "prediction gap"]];
  return make("details", {class: "small", open: !matchMedia("(max-width: 40rem)").matches}, make("summary", {}, "What the signs mean"), make("ul", {class: "legend"},
    signs.map(([name, text]) => make("li", {}, make("span", {class: `key ${name}`, "aria-hidden": "true"}), text))));
}
