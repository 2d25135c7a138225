// Steering a rehearsal: pause, speed, jump. Only where the service says that it is one.

import {make, put, say} from "./dom.js";
import {get, on, send, service} from "./service.js";

const SPEEDS = [1, 10, 60, 600, 3600];
const JUMPS = [[60, "1 min"], [600, "10 min"], [3600, "1 h"]];
const LOOK_MS = 1500;

/** The controls; `open` signs somebody in who may not steer yet. */
export function steering(open) {
  const told = make("span", {class: "steer-told"});
  const wrong = make("span", {class: "field-wrong", role: "alert"});
  const pause = make("button", {type: "button", onclick: () => steer({paused: !state?.paused})});
  const speed = make("select", {"aria-label": "Speed", onchange: () => steer({speed: Number(speed.value)})});
  const jumps = JUMPS.map(([seconds, text]) =>
    make("button", {type: "button", onclick: () => steer({jump_s: seconds})}, `+${text}`));
  const sign = make("button", {type: "button", onclick: open}, "Sign in to steer it");
  const element = make("div", {class: "steer", role: "group", "aria-label": "The rehearsal's time", hidden: true});
  let state = null;
  let shown = "";

  async function look() {
    try {
      state = await get("/rehearsal");
      show();
    } catch {
      element.hidden = true;
    }
  }

  async function steer(asked) {
    say(wrong, "");
    try {
      state = await send("POST", "/rehearsal", asked);
    } catch (problem) {
      say(wrong, problem.message);
    }
    show();
  }

  function show() {
    if (!state) return;
    element.hidden = false;
    const may = service.session.can_change;
    if (shown !== String(may)) {
      shown = String(may);
      put(element, told, may ? [pause, make("label", {}, "Speed", speed), jumps] : sign, wrong);
    }
    say(told, `${elapsed(state.after_s)} of ${elapsed(state.lasts_s)}${state.paused ? ", paused" : `, ${state.speed} times as fast`}`);
    say(pause, state.paused ? "Go on" : "Pause");
    const speeds = [...new Set([...SPEEDS, state.speed])].sort((one, other) => one - other);
    if (speed.dataset.offered !== speeds.join()) {
      speed.dataset.offered = speeds.join();
      put(speed, speeds.map((each) => make("option", {value: each}, `× ${each}`)));
    }
    if (document.activeElement !== speed) speed.value = String(state.speed);
  }

  on("session", show);
  setInterval(() => service.stale || look(), LOOK_MS);
  look();
  return element;
}

/** `+01:05:00`: hours, minutes and seconds after the beginning. */
function elapsed(seconds) {
  const two = (value) => String(Math.floor(value)).padStart(2, "0");
  return `+${two(seconds / 3600)}:${two((seconds % 3600) / 60)}:${two(seconds % 60)}`;
}
