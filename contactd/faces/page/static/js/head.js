// The head of every screen: the service's time, whether the picture is true, the way elsewhere.

import {choices, choose, onChoice} from "./choices.js";
import {announce, field, fresh, make, put, say} from "./dom.js";
import {mark} from "./marks.js";
import {now, on, send, service, travel, whoAmI} from "./service.js";
import {clock, length, longDay, moment, parse} from "./times.js";

export const SCREENS = [
  ["now", "Now"], ["timeline", "Timeline"], ["sky", "Sky"], ["ground", "Ground"],
  ["align", "Align"], ["records", "Records"], ["sheets", "Sheets"], ["handover", "Handover"],
];
const OLD_BEAT_MS = 15_000;

const figures = make("span", {"data-clock": ""});
const dayText = make("small", {});
const truth = make("ul", {class: "truth", "aria-label": "Whether this picture can be trusted"});
const ways = make("nav", {class: "ways", "aria-label": "Screens"});
const banners = make("div", {});
const signButton = make("button", {type: "button", onclick: openSession}, "Sign in");

/** Build the head; called once. */
export function buildHead(place) {
  const viewButton = make("button", {type: "button", onclick: openChoices}, "View");
  put(place, make("div", {class: "head-line"},
    make("p", {class: "clock"}, figures, dayText), truth,
    make("div", {class: "head-tools"}, viewButton, signButton)), ways, banners);
  put(ways, SCREENS.map(([name, title]) => make("a", {href: `#/${name}`, dataset: {way: name}}, title)));
  on("document", showTruth);
  on("beat", showTruth);
  on("stale", () => {
    showTruth();
    announce(service.stale ? "Connection to the service lost." : "Connected to the service again.");
  });
  on("session", showSession);
  on("travel", showTruth);
  onChoice(tick);
  showTruth();
  setInterval(tick, 250);
  tick();
}

/** Mark the screen that is shown. */
export function showWay(name) {
  for (const link of ways.children) {
    if (link.dataset.way === name) {
      link.setAttribute("aria-current", "page");
      link.scrollIntoView({block: "nearest", inline: "nearest"});
    } else link.removeAttribute("aria-current");
  }
}

function tick() {
  if (!service.beat) return;
  say(figures, clock(now()));
  const local = choices.local === "yes" ? ` · ${new Date(now()).toLocaleTimeString("en-GB")} here` : "";
  say(dayText, longDay(now()) + local);
}

function fact(good, text, bad = "doubt") {
  return make("li", {class: good ? "fine" : bad}, mark(good ? "good" : bad === "bad" ? "warning" : "caution"), text);
}

function facts() {
  const shown = service.document;
  const beat = service.beat;
  if (service.stale) return [fact(false, service.heardAt === null ? "not connected yet" : "not connected", "bad")];
  const found = [];
  const age = beat ? parse(beat.now) - parse(beat.at) : 0;
  found.push(fact(age < OLD_BEAT_MS, age < OLD_BEAT_MS ? "live" : `last evaluation cycle ${length(age)} ago`, "bad"));
  if (!shown) return found;
  for (const name of ["caution", "warning"]) {
    const count = shown.alerts.filter((alert) => alert.severity === name).length;
    if (count) found.unshift(make("li", {class: name}, mark(name), make("b", {}, `${count} ${name}${count > 1 ? "s" : ""}`)));
  }
  found.push(fact(shown.clock.trusted, shown.clock.trusted ? "clock trusted" : `clock not trusted: ${shown.clock.why}`));
  const problems = shown.configuration.problems.length;
  found.push(fact(!problems, problems ? `${problems} ${problems === 1 ? "error" : "errors"} in the files; the last valid ones are in force` : "files valid"));
  found.push(fact(!shown.ledger_trouble, shown.ledger_trouble || `ledger at ${shown.ledger_at}`, "bad"));
  const stale = shown.targets.filter((target) => target.elements?.stale).length;
  if (stale) found.push(fact(false, `${stale} with stale elements`));
  if (beat && !beat.ready) found.push(fact(false, beat.reasons.join("; ")));
  return found;
}

let shownTruth = "";

function showTruth() {
  const made = facts();
  const text = made.map((each) => each.textContent).join("|");
  if (text !== shownTruth) {
    shownTruth = text;
    put(truth, made);
  }
  showBanners();
}

let shownBanners = "";
let steer = null;

/** What steers a rehearsal stands beside what says that it is one. */
async function offerSteering(place) {
  steer ??= import("./rehearsal.js").then((module) => module.steering(openSession)).catch(() => null);
  const element = await steer;
  if (element) place.append(element);
}

function showBanners() {
  const notice = service.beat?.notice || service.document?.notice || "";
  const lost = service.stale && service.heardAt !== null;
  const key = [notice, lost, service.knownAt, service.problem?.message, service.problem?.status].join("|");
  if (key === shownBanners) return;
  shownBanners = key;
  put(banners,
    lost && make("p", {class: "broken", role: "alert"}, mark("caution"),
      `Connection lost at ${clock(now())}. What you see is from then, and no countdown runs.`),
    notice && noticed(notice),
    !lost && service.problem && service.problem.status !== 401 &&
      make("p", {class: "broken", role: "alert"}, mark("caution"), `The service answered: ${service.problem.message}`),
    service.knownAt && make("p", {class: "past"},
      make("b", {}, `As it was known at ${moment(parse(service.knownAt))}`),
      make("span", {}, "Nothing counts down, and nothing can be entered."),
      make("button", {type: "button", onclick: () => travel(null)}, "Back to now")));
}

function noticed(text) {
  const place = make("div", {class: "notice"}, make("p", {}, text));
  if (text.startsWith("REHEARSAL")) offerSteering(place);
  return place;
}

function showSession() {
  const session = service.session;
  say(signButton, session.name ? `${session.name}, ${session.role}` : "Sign in");
}

function openDialog(title, ...content) {
  const id = fresh("dialog");
  const dialog = make("dialog", {"aria-labelledby": id}, make("h2", {id}, title), content);
  dialog.addEventListener("close", () => dialog.remove());
  document.body.append(dialog);
  dialog.showModal();
  return dialog;
}

/** Sign in or out; also reached from whatever needs an operator. */
export function openSession() {
  const session = service.session;
  if (session.name) {
    const dialog = openDialog("Signed in",
      make("p", {}, `As ${session.name}, with the ${session.role} role.`,
        session.can_change ? " What you enter is recorded under this name." : " You can look at everything and change nothing."),
      make("div", {class: "buttons"},
        make("button", {type: "button", onclick: async () => {
          await send("DELETE", "/session").catch(() => null);
          await whoAmI();
          dialog.close();
        }}, "Sign out"),
        make("button", {type: "button", onclick: () => dialog.close()}, "Stay")));
    return;
  }
  const input = make("input", {name: "token", type: "password", autocomplete: "off", required: true, spellcheck: "false"});
  const holder = field("Token", input, "It begins with contactd_ and is given out by whoever runs the service.");
  const form = make("form", {onsubmit: async (event) => {
    event.preventDefault();
    const wrong = holder.querySelector(".field-wrong");
    try {
      service.session = await send("POST", "/session", {token: input.value});
      await whoAmI();
      dialog.close();
    } catch (problem) {
      wrong.hidden = false;
      wrong.textContent = problem.message;
      input.setAttribute("aria-invalid", "true");
      input.focus();
    }
  }}, holder, make("div", {class: "buttons"},
    make("button", {class: "first"}, "Sign in"),
    make("button", {type: "button", onclick: () => dialog.close()}, "Cancel")));
  const dialog = openDialog("Sign in", session.operators_exist ? null :
    make("p", {class: "quiet"}, "No operator token has been set up, so nothing can be changed here."), form);
  input.focus();
}

const GROUPS = [
  ["paper", "Light", [["dark", "dark room"], ["light", "bright room"], ["system", "as the system says"]]],
  ["size", "Size", [["desk", "desk"], ["wall", "wall"]]],
  ["days", "Days", [["calendar", "2026-11-25"], ["of-year", "2026-329"]]],
  ["local", "Beside UTC", [["no", "nothing"], ["yes", "the time here"]]],
  ["keys", "Keys 1 to 8 change the screen", [["yes", "yes"], ["no", "no"]]],
];

function openChoices() {
  const groups = GROUPS.map(([name, title, options]) => make("fieldset", {class: "choice-group"},
    make("legend", {}, title), make("div", {class: "row"}, options.map(([value, text]) =>
      make("button", {type: "button", "aria-pressed": String(choices[name] === value), onclick: (event) => {
        choose(name, value);
        for (const other of event.currentTarget.parentElement.children) {
          other.setAttribute("aria-pressed", String(other === event.currentTarget));
        }
      }}, text)))));
  const dialog = openDialog("View", groups, make("div", {class: "buttons"},
    make("button", {type: "button", class: "first", onclick: () => dialog.close()}, "Done"),
    make("a", {href: "/api/v1/docs"}, "The interface for programs")));
}
