// Which screen is shown, and what every screen shares.

import {choices, onChoice} from "./choices.js";
import {make, put} from "./dom.js";
import {SCREENS, buildHead, showWay} from "./head.js";
import * as nowScreen from "./now/screen.js";
import {begin} from "./service.js";

const LOADERS = {
  now: async () => nowScreen,
  timeline: () => import("./timeline/screen.js"),
  sky: () => import("./sky/screen.js"),
  ground: () => import("./ground/screen.js"),
  align: () => import("./align/screen.js"),
  records: () => import("./records/screen.js"),
  sheets: () => import("./sheets/screen.js"),
  handover: () => import("./handover/screen.js"),
};

const place = document.getElementById("screen");
let leave = null;
let turn = 0;

/** The screen's name and what stands after it in the address. */
function address() {
  const [, name = "now", query = ""] = /^#\/([a-z]+)(?:\?(.*))?$/.exec(location.hash) ?? [];
  return [name in LOADERS ? name : "now", new URLSearchParams(query)];
}

async function show(focus) {
  const [name, query] = address();
  const mine = ++turn;
  showWay(name);
  document.title = `${SCREENS.find(([each]) => each === name)[1]} – contactd`;
  leave?.();
  leave = null;
  const screen = await LOADERS[name]().catch(() => null);
  if (mine !== turn) return;
  put(place);
  place.dataset.screen = name;
  if (screen) leave = screen.enter(place, query) ?? null;
  else put(place, make("p", {role: "alert"}, "This screen could not be loaded: the service does not answer."));
  if (focus) place.focus();
}

function keys(event) {
  if (choices.keys !== "yes" || event.ctrlKey || event.altKey || event.metaKey) return;
  if (event.target.closest("input, select, textarea, dialog, canvas, [role=slider]")) return;
  const screen = SCREENS[Number(event.key) - 1];
  if (screen) location.hash = `#/${screen[0]}`;
}

buildHead(document.getElementById("head"));
window.addEventListener("hashchange", () => show(true));
window.addEventListener("keydown", keys);
onChoice(() => show(false));
begin();
show(false);
