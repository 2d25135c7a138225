// Kinds of records and what they say, in words.

import {make} from "../dom.js";

const WORDS = {
  "configuration-adopted": "configuration adopted", "configuration-refused": "configuration refused", "definition-adopted": "file adopted", "definition-confirmed": "file confirmed", retired: "retired", "elements-adopted": "elements adopted", "elements-changed": "predictions rest on other elements",
  "start-planned": "start planned", "start-observed": "started", "start-refuted": "did not start", "start-attempted": "may have started",
  "sequence-stopped": "stopped", "sequence-held": "held", "sequence-resumed": "resumed", "power-loss": "power lost", "setting-chosen": "dial set",
  reading: "reading", "step-seen": "seen", "step-not-seen": "not seen", ruling: "ruling", "contact-missed": "contact missed", "aos-observed": "AOS observed", "los-observed": "LOS observed", "offset-measured": "tracking data", "motion-corrected": "motion corrected", "station-status": "station status", "handover-given": "shift handed over", "handover-confirmed": "handover read back", "command-sent": "command sent",
  remark: "remark", "alert-raised": "alert raised", "alert-changed": "alert changed", "alert-sent": "alert sent", "alert-delivered": "alert delivered", "alert-failed": "alert not delivered",
  "alert-acknowledged": "alert acknowledged", "alert-resolved": "alert resolved", "alert-missed": "alert missed", "service-started": "service started", "service-stopped": "service stopped",
};
const LEARNED = ["start-planned", "start-observed", "start-refuted", "start-attempted", "sequence-stopped", "sequence-held", "sequence-resumed", "power-loss",
  "setting-chosen", "reading", "step-seen", "step-not-seen", "ruling", "contact-missed", "aos-observed", "los-observed", "offset-measured", "motion-corrected", "station-status", "handover-given", "handover-confirmed", "command-sent", "definition-confirmed", "retired", "remark"];

/** What to look at: a name, and the kinds that it holds. */
export const GROUPS = [
  ["all but deliveries", Object.keys(WORDS).filter((kind) => !["alert-sent", "alert-delivered"].includes(kind))],
  ["learned and decided", LEARNED],
  ["alerts", ["alert-raised", "alert-changed", "alert-acknowledged", "alert-resolved", "alert-missed", "alert-failed"]],
  ["the service itself", ["configuration-adopted", "configuration-refused", "definition-adopted", "elements-adopted", "elements-changed", "service-started", "service-stopped"]],
  ["remarks", ["remark"]],
  ["everything", []],
];

export function kindWords(kind) {
  return WORDS[kind] ?? kind.replaceAll("-", " ");
}

const LEAD = ["what", "text", "command", "ruling", "status", "why", "note", "remark"];
const MOST = 5;
const LONGEST = 120;

/** What a record's body says: its sentence if it has one, then its figures; all of it when opened. */
export function bodyWords(record) {
  const body = Object.entries(record.body).filter(([, value]) => value !== "" && value !== null);
  const lead = LEAD.filter((name) => typeof record.body[name] === "string" && record.body[name]).map((name) => record.body[name]);
  const rest = body.filter(([name, value]) => !LEAD.includes(name) && typeof value !== "object");
  const shown = lead.length && record.kind.startsWith("alert-") ? lead : [...lead, ...rest.slice(0, MOST).map(([name, value]) => name === "identity" ? alertWords(value) : `${nameWords(name)} ${cut(String(value))}`)];
  const hidden = body.length > shown.length || body.some(([, value]) => typeof value === "object");
  const text = shown.length ? shown.join("; ") : "";
  if (!hidden) return text;
  return make("details", {}, make("summary", {}, text || "all of it"), make("pre", {class: "small"}, JSON.stringify(record.body, null, 1)));
}

/** Which sort of alert an identity names; its digest says nothing to people. */
function alertWords(identity) {
  return String(identity).replace(/-[0-9a-f]{20}$/, "").replaceAll("-", " ");
}

function nameWords(name) {
  return name.replace(/_s$/, " (s)").replaceAll("_", " ");
}

function cut(text) {
  return text.length > LONGEST ? `${text.slice(0, LONGEST)}…` : text;
}
