// Now: what waits, what comes next, and the running countdowns of every target.

import {make, put} from "../dom.js";
import {openSession} from "../head.js";
import {mark} from "../marks.js";
import {now, on, service} from "../service.js";
import {countdown, near, noEarlier, noLater, parse, statedWords} from "../times.js";
import {agenda} from "./agenda.js";
import {alertsWaiting} from "./alerts.js";
import {axis, patterns} from "./lanes.js";
import {targetBlock, urgency, zone} from "./target.js";

const MOST_SHOWN = 40;

export function enter(place) {
  const waiting = make("section", {class: "waiting", "aria-labelledby": "waiting-title"});
  const coming = make("section", {class: "coming", "aria-labelledby": "coming-title"});
  const clears = make("div", {class: "clears"});
  const stations = make("section", {class: "stations-stated", "aria-labelledby": "stations-title"});
  const board = make("section", {class: "board", "aria-labelledby": "board-title"});
  put(place, make("h1", {class: "unseen"}, "Now"), patterns(),
    clears, coming, stations,
    make("div", {class: "now"}, make("div", {class: "now-side"}, waiting), board));

  let moving = [];
  let all = false;

  function draw() {
    const shown = service.document;
    if (!shown) {
      if (service.session.needed) {
        put(board, make("h2", {id: "board-title"}, "Viewing needs a token here"),
          make("p", {}, make("button", {type: "button", class: "first", onclick: openSession}, "Sign in")));
      }
      return;
    }
    moving = [];
    const open = new Set([...board.querySelectorAll("details[open]")].map((each) => each.dataset.key));
    alertsWaiting(waiting, shown.alerts, moving);
    agenda(coming, shown, moving);
    clearsInForce(clears, shown, moving);
    stationsStated(stations, shown);
    const targets = [...shown.targets].sort((one, other) => urgency(other, shown) - urgency(one, shown) || one.name.localeCompare(other.name));
    const kept = all ? targets : targets.slice(0, MOST_SHOWN);
    const acting = kept.filter((target) => target.sequences.length > 0);
    const passing = kept.filter((target) => target.sequences.length === 0);
    put(board, make("div", {class: "board-head"}, make("h2", {id: "board-title"}, "Running countdowns"), axis()),
      acting.map((target) => targetBlock(target, moving)),
      passing.length > 0 && make("div", {class: "passing"},
        make("h3", {class: "quiet"}, acting.length ? "Nothing running, contacts only" : "Nothing running"),
        passing.map((target) => targetBlock(target, moving))),
      kept.length < targets.length && make("p", {class: "quiet"}, `${targets.length - kept.length} more targets are left out, none more urgent. `,
        make("button", {type: "button", onclick: () => {
          all = true;
          draw();
        }}, "Show all")),
      targets.length === 0 && make("p", {}, "No targets. Add a file to the folder targets of the configuration."));
    for (const each of board.querySelectorAll("details")) each.open = open.has(each.dataset.key);
    move();
  }

  function move() {
    if (document.hidden) return;
    const present = service.knownAt === null ? now() : Date.parse(service.knownAt);
    for (const each of moving) each(present);
  }

  const stops = [on("document", draw), on("session", draw), on("stale", move)];
  const timer = setInterval(move, 1000);
  draw();
  return () => {
    clearInterval(timer);
    stops.forEach((stop) => stop());
  };
}

/** What is stated of stations, for now and for later. */
function stationsStated(place, shown) {
  const present = service.knownAt === null ? now() : Date.parse(service.knownAt);
  const lines = shown.stations.flatMap((station) => station.stated.filter((stated) => stated.to === null || parse(stated.to) > present).map((stated) => make("li", {},
    mark(stated.status === "out" ? "warning" : "caution"), make("span", {}, make("b", {}, station.name), ` ${stated.status} ${statedWords(stated, present)}`))));
  place.hidden = !lines.length;
  put(place, make("h2", {id: "stations-title"}, "Stations"), make("ul", {}, lines));
}

/** Keep-clear that is in force, or begins within the hour, over everything else. */
function clearsInForce(place, shown, moving) {
  const clears = shown.targets.flatMap((target) => target.sequences).flatMap((sequence) => sequence.steps)
    .filter((step) => step.keep_clear && !["stopped", "unset"].includes(step.status))
    .map((step) => ({step, from: Date.parse(step.keep_clear.from), to: Date.parse(step.keep_clear.to)}));
  const lines = clears.map((each) => clearLine(each));
  put(place, lines.map((line) => line.element));
  moving.push((present) => lines.forEach((line) => line.move(present)));
}

function clearLine({step, from, to}) {
  const words = make("span", {"data-moment": ""});
  const danger = step.people_in_keep_clear.length > 0;
  const element = make("p", {class: "clear-now", hidden: true}, make("b", {}, `${step.target}: keep clear`),
    make("span", {}, `step '${step.step}', ${step.hazard}${zone(step)}`), words,
    danger && make("b", {class: "warning"}, "People planned near during keep-clear"));
  return {element, move(present) {
    element.hidden = present < from - 3600_000 || present >= to;
    element.classList.toggle("in-force", present >= from);
    words.textContent = present >= from ? `until ${near(noEarlier(to), present)}, ${countdown(to - present + 1000)} left`
      : `from ${near(noLater(from), present)}, in ${countdown(from - present)}`;
  }};
}
