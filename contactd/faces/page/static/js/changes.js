// Showing what an entry would change, and writing it only after that was seen.

import {announce, fresh, make, put} from "./dom.js";
import {openSession} from "./head.js";
import {mark} from "./marks.js";
import {refresh, send, service} from "./service.js";
import {between, parse} from "./times.js";

/** A dialog with a heading; it leaves the page when it is closed. */
export function dialogOf(title, ...content) {
  const id = fresh("dialog");
  const dialog = make("dialog", {"aria-labelledby": id}, make("h2", {id}, title), content);
  dialog.addEventListener("close", () => dialog.remove());
  document.body.append(dialog);
  dialog.showModal();
  return dialog;
}

/** What a change says, as elements. */
export function changeWords(change) {
  const rows = change.after.map((step, index) => [change.before.find((each) => each.sequence === step.sequence && each.step === step.step) ?? change.before[index], step])
    .filter(([was, step]) => was && (was.earliest !== step.earliest || was.latest !== step.latest || was.coverage !== step.coverage || was.status !== step.status));
  return [change.confirmation && make("p", {class: "quiet preline"}, change.confirmation),
    rows.length === 0 && change.sentences.length === 1 && make("p", {}, change.sentences[0]),
    change.notes.map((text) => make("p", {class: "caution"}, mark("caution"), " ", text)),
    rows.length > 0 && make("div", {class: "scroll", tabindex: 0, role: "region", "aria-label": "Before and after"}, make("table", {class: "before-after"},
      make("thead", {}, make("tr", {}, ["Step", "When", "Status", "Expires", "Coverage"].map((text) => make("th", {scope: "col"}, text)))),
      make("tbody", {}, rows.flatMap(([was, step]) => [row(step.step, "before", was), row("", "after", step)])))),
    (rows.length > 0 || change.sentences.length > 1) && make("details", {open: true}, make("summary", {}, "In words"), make("ul", {class: "sentences"}, change.sentences.map((text) => make("li", {}, text))))];
}

function row(name, when, step) {
  const [earliest, latest] = [parse(step.earliest), parse(step.latest)];
  return make("tr", {class: when}, name && make("th", {scope: "row", rowspan: 2}, name), make("td", {}, when), make("td", {}, step.status),
    make("td", {}, earliest === null ? "not known" : between(earliest, latest, parse(service.beat?.now) ?? earliest)),
    make("td", {}, step.coverage ? [mark(step.coverage), ` ${step.coverage}`] : "–"));
}

/** Ask what `body` would change at `path`/preview, show it, and write it to `path` when confirmed. */
export async function confirmChange({title, body, preview, write, done}) {
  const change = await send("POST", preview, body);
  const key = crypto.randomUUID?.() ?? `${Date.now()}-${Math.random()}`;
  const problemLine = make("p", {class: "field-wrong", role: "alert", hidden: true});
  const confirm = make("button", {type: "button", class: "first"}, "Record it");
  const may = service.session.can_change;
  const content = make("div", {}, changeWords(change));
  const dialog = dialogOf(title, content, problemLine, make("div", {class: "buttons"},
    may ? confirm : make("button", {type: "button", class: "first", onclick: () => {
      dialog.close();
      openSession();
    }}, "Sign in as operator to record it"),
    make("button", {type: "button", onclick: () => dialog.close()}, "Leave it")));
  let seen = change.ledger_at;
  confirm.addEventListener("click", async () => {
    confirm.disabled = true;
    try {
      const written = await send("POST", write, body, {ledger_at: write === "/records" ? seen : null}, {"Idempotency-Key": key});
      dialog.close();
      announce("Recorded.");
      done?.(written);
      refresh();
    } catch (problem) {
      problemLine.hidden = false;
      problemLine.textContent = problem.message;
      confirm.disabled = false;
      if (problem.code === "too-long-ago") {
        const again = await send("POST", preview, body).catch(() => null);
        if (again) {
          seen = again.ledger_at;
          put(content, changeWords(again));
        }
      }
    }
  });
  return dialog;
}
