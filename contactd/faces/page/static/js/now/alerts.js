// What waits for somebody: alerts, what can still be decided first, each with what to do and a way to take it on.

import {dialogOf} from "../changes.js";
import {announce, make, put} from "../dom.js";
import {openSession} from "../head.js";
import {severity} from "../marks.js";
import {refresh, send, service} from "../service.js";
import {fromNow, near, noLater, parse} from "../times.js";

export function alertsWaiting(place, alerts, moving) {
  const urgent = alerts.filter((alert) => alert.severity !== "advisory");
  const others = alerts.filter((alert) => alert.severity === "advisory");
  const open = new Set([...place.querySelectorAll("details[open]")].map((each) => each.dataset.key));
  const first = place.childElementCount === 0;
  put(place, make("h2", {id: "waiting-title"}, "Waiting for you"),
    alerts.length === 0 && make("p", {class: "quiet"}, "Nothing. Every alert is acknowledged or over."),
    urgent.length > 0 && make("ul", {class: "alerts"}, urgent.map((alert, place) => item(alert, moving, first ? place === 0 : open.has(alert.identity)))),
    others.length > 0 && make("details", {open: open.has("advisories") || urgent.length === 0, dataset: {key: "advisories"}},
      make("summary", {}, severityCount(others.length)),
      make("ul", {class: "alerts"}, others.map((alert) => item(alert, moving, open.has(alert.identity))))),
    service.knownAt === null && together(alerts));
}

/** A button for each target of which several wait: they are shown once more, and taken together. */
function together(alerts) {
  const counts = new Map();
  for (const {target} of alerts) if (target) counts.set(target, (counts.get(target) ?? 0) + 1);
  const several = [...counts].filter(([, count]) => count > 1);
  return several.length > 0 && make("div", {class: "buttons together"}, several.map(([target, count]) => make("button", {type: "button", class: "small",
    onclick: () => takeTogether(target, alerts.filter((alert) => alert.target === target))}, `Acknowledge all ${count} of ${target}`)));
}

function takeTogether(target, alerts) {
  if (!service.session.can_change) {
    openSession();
    return;
  }
  const wrong = make("p", {class: "field-wrong", role: "alert", hidden: true});
  const dialog = dialogOf(`Acknowledge ${alerts.length} alerts of ${target}`,
    make("ul", {class: "alerts"}, alerts.map((alert) => make("li", {class: `alert is-${alert.severity}`}, make("p", {class: "alert-top"}, severity(alert.severity)), make("p", {class: "alert-what"}, alert.what), alert.do && make("p", {}, alert.do)))),
    wrong, make("div", {class: "buttons"}, make("button", {type: "button", class: "first", onclick: async (event) => {
      event.currentTarget.disabled = true;
      try {
        await send("POST", "/alerts/acknowledge", {target, alerts: alerts.map((alert) => alert.identity)});
        announce(`Acknowledged: every alert of ${target}`);
        dialog.close();
      } catch (problem) {
        wrong.hidden = false;
        wrong.textContent = problem.message;
      }
      await refresh();
    }}, "Acknowledge all"), make("button", {type: "button", onclick: () => dialog.close()}, "Leave them")));
}

function severityCount(count) {
  return [severity("advisory"), ` × ${count}`];
}

function item(alert, moving, open) {
  const when = make("span", {"data-moment": ""});
  const concerns = parse(alert.moment);
  if (concerns !== null) {
    moving.push((present) => {
      when.textContent = `${near(noLater(concerns), present)}, ${fromNow(concerns, present)}`;
    });
  }
  return make("li", {class: `alert is-${alert.severity}`, dataset: {identity: alert.identity}},
    make("p", {class: "alert-top"}, severity(alert.severity), when, alert.late && make("span", {class: "quiet"}, "raised late")),
    make("p", {class: "alert-what"}, alert.what),
    alert.changed && make("p", {class: "quiet"}, alert.changed),
    make("div", {class: "alert-do"},
      alert.do && make("details", {open, dataset: {key: alert.identity}},
        make("summary", {}, "What to do"), make("p", {}, alert.do)),
      service.knownAt === null && make("button", {type: "button", onclick: (event) => take(alert, event.currentTarget)},
        "Acknowledge", make("span", {class: "unseen"}, `: ${alert.what}`))));
}

async function take(alert, button) {
  if (!service.session.can_change) {
    openSession();
    return;
  }
  button.disabled = true;
  try {
    await send("POST", `/alerts/${encodeURIComponent(alert.identity)}/acknowledge`, {note: ""});
    announce(`Acknowledged: ${alert.what}`);
  } catch (problem) {
    button.after(make("span", {class: "field-wrong", role: "alert"}, problem.message));
    button.disabled = false;
  }
  await refresh();
}
