// Ground: where a target passes over the Earth, which stations it can see, and where it is night.

import {onChoice} from "../choices.js";
import {make, put} from "../dom.js";
import {picker} from "../pickers.js";
import {get, now, on, service} from "../service.js";
import {MINUTE, clock, day, fromNow, length} from "../times.js";
import {Map as EarthMap} from "./map.js";

const SPANS = [["1 revolution", 50, 50], ["100 min", 20, 100], ["4 h", 30, 240], ["12 h", 30, 720]];

export function enter(place, query) {
  const state = {target: "", track: null, stations: [], span: 1, at: null};
  const targets = picker("Target", (value) => choose(value));
  const buttons = SPANS.slice(1).map(([text], index) => make("button", {type: "button", "aria-pressed": String(index + 1 === state.span), onclick: (event) => {
    state.span = index + 1;
    for (const other of event.currentTarget.parentElement.querySelectorAll("button[aria-pressed]")) other.setAttribute("aria-pressed", String(other === event.currentTarget));
    load();
  }}, text));
  const slider = make("input", {type: "range", min: 0, max: 1000, step: 1, value: 0, "aria-label": "Moment shown", oninput: () => {
    state.at = state.track.from + (state.track.to - state.track.from) * slider.value / 1000;
    show();
  }});
  const live = make("button", {type: "button", onclick: () => {
    state.at = null;
    show();
  }}, "Present");
  const canvas = make("canvas", {role: "img", "aria-label": "Ground track"});
  const words = make("div", {class: "ground-words"});
  put(place, make("h1", {class: "unseen"}, "Ground"), make("div", {class: "tools"}, targets.element, buttons, live, slider), canvas, words);
  const map = new EarthMap(canvas);

  async function choose(target) {
    state.target = target;
    await load();
  }

  async function load() {
    if (!state.target) return;
    const [, back, ahead] = SPANS[state.span];
    const present = Math.floor(now() / MINUTE) * MINUTE;
    try {
      const track = await get("/ground", {target: state.target, from: new Date(present - back * MINUTE).toISOString(), to: new Date(present + ahead * MINUTE).toISOString()});
      state.track = {...track, from: track.unix_ms[0], to: track.unix_ms.at(-1)};
      show();
    } catch (problem) {
      state.track = null;
      map.clear();
      put(words, make("p", {role: "status"}, `${state.target}: ${problem.message}.`));
    }
  }

  function show() {
    if (!state.track) return;
    const at = state.at ?? now();
    const {track} = state;
    slider.value = Math.round(1000 * (Math.min(Math.max(at, track.from), track.to) - track.from) / (track.to - track.from));
    slider.setAttribute("aria-valuetext", `${day(at)} ${clock(at)}`);
    live.setAttribute("aria-pressed", String(state.at === null));
    const here = map.show(track, state.stations, at, contactsAt(at));
    if (here) tell(at, here);
  }

  function contactsAt(at) {
    return new Set(state.contacts?.filter((each) => Date.parse(each.aos) <= at && at < Date.parse(each.los)).map((each) => each.station));
  }

  let told = "";

  function tell(at, here) {
    const seen = [...contactsAt(at)];
    const next = state.contacts?.find((each) => Date.parse(each.aos) > at);
    const lines = [[`${state.target} at ${clock(at)}`, `${Math.abs(here.latitude).toFixed(1)}° ${here.latitude < 0 ? "S" : "N"}, ${Math.abs(here.longitude).toFixed(1)}° ${here.longitude < 0 ? "W" : "E"}, ${here.altitude.toFixed(0)} km up, ${here.sunlit > 0.5 ? "in sunlight" : "in the Earth's shadow"}`],
      ["In view of", seen.length ? seen.join(", ") : "no station"],
      ["Next in view", next ? `${next.station}, ${clock(Date.parse(next.aos))}, ${fromNow(Date.parse(next.aos), at)}, for ${length(Date.parse(next.los) - Date.parse(next.aos))}` : "no contact in the plan"]];
    const text = JSON.stringify(lines);
    if (text === told) return;
    told = text;
    put(words, make("dl", {class: "moments"}, lines.map(([name, value]) => [make("dt", {}, name), make("dd", {}, value)])));
  }

  async function begin() {
    const shown = service.document;
    if (!shown || state.target) return;
    state.target = "…";
    const urgent = shown.targets.find((target) => target.sequences.length) ?? shown.targets[0];
    state.stations = await get("/stations");
    await choose(targets.offer(shown.targets.map((target) => [target.name, target.name]), query.get("target") ?? urgent?.name));
  }

  async function contacts() {
    if (!state.target || state.target === "…") return;
    state.contacts = await get("/contacts", {target: state.target, from: new Date(now() - 60 * MINUTE).toISOString(), limit: 200}).catch(() => []);
    show();
  }

  const stops = [on("document", () => begin().then(contacts)), onChoice(() => map.restyle())];
  const watching = new ResizeObserver(() => {
    map.resize();
    show();
  });
  watching.observe(canvas);
  const timer = setInterval(() => state.at === null && show(), 1000);
  const reload = setInterval(load, MINUTE);
  map.load().then(show);
  begin().then(contacts);
  targets.element.addEventListener("change", () => setTimeout(contacts, 0));
  return () => {
    clearInterval(timer);
    clearInterval(reload);
    watching.disconnect();
    stops.forEach((stop) => stop());
  };
}

