// Sheets: of a contact and of a sequence, to print as they stand or to take as PDF.

import {make, put} from "../dom.js";
import {mark} from "../marks.js";
import {contactsOf, picker} from "../pickers.js";
import {get, now, on, service} from "../service.js";
import {dome} from "../sky/dome.js";
import {MINUTE, clock, full, length, nearest, noEarlier, noLater, parse, statedWords, within} from "../times.js";

export function enter(place, query) {
  const state = {target: "", contacts: [], kind: query.get("sheet") ?? "sequence", turn: 0};
  const kinds = picker("Sheet", (value) => {
    state.kind = value;
    draw();
  });
  kinds.offer([["sequence", "sequence"], ["contact", "contact"]], state.kind);
  const targets = picker("Target", (value) => choose(value));
  const which = picker("Of", () => draw());
  const pdf = make("a", {class: "button", target: "_blank", rel: "noopener"}, "PDF");
  const print = make("button", {type: "button", onclick: () => window.print()}, "Print this");
  const sheet = make("article", {class: "sheet"});
  put(place, make("h1", {class: "unseen"}, "Sheets"), make("div", {class: "tools"}, kinds.element, targets.element, which.element, print, pdf), sheet);

  function begin() {
    const shown = service.document;
    if (!shown || state.target) return;
    const urgent = shown.targets.find((target) => target.sequences.length) ?? shown.targets[0];
    choose(targets.offer(shown.targets.map((target) => [target.name, target.name]), query.get("target") ?? urgent?.name));
  }

  async function choose(target) {
    state.target = target;
    state.contacts = await contactsOf(target, "").catch(() => []);
    draw();
  }

  async function draw() {
    const mine = ++state.turn;
    const shown = service.document?.targets.find((target) => target.name === state.target);
    if (!shown) return;
    if (state.kind === "sequence") {
      const names = shown.sequences.map((each) => [each.sequence, each.sequence]);
      const chosen = which.offer(names.length ? names : [["", "no sequence"]]);
      link("sequence", chosen ? {target: state.target, sequence: chosen, known_at: service.knownAt} : null);
      const sequence = shown.sequences.find((each) => each.sequence === chosen);
      put(sheet, sequence ? sequenceSheet(sequence) : make("p", {}, `${state.target} has no sequence.`));
      return;
    }
    const ahead = state.contacts.filter((each) => parse(each.contact.los) > now() - 30 * MINUTE);
    const value = which.offer(ahead.length ? ahead.map((each) => [each.value, each.text]) : [["", "no contact"]]);
    const found = ahead.find((each) => each.value === value);
    link("contact", found ? {target: state.target, station: found.contact.station, at: found.contact.tca, frequency_mhz: frequency()} : null);
    if (!found) {
      put(sheet, make("p", {}, `${state.target} has no contact in the prediction.`));
      return;
    }
    try {
      const sky = await get("/sky", {target: state.target, station: found.contact.station, at: found.contact.tca});
      if (mine === state.turn) put(sheet, contactSheet(sky, shown));
    } catch (problem) {
      put(sheet, make("p", {class: "caution"}, problem.message));
    }
  }

  function link(kind, query) {
    if (!query) {
      pdf.removeAttribute("href");
      return;
    }
    const pairs = Object.entries(query).filter(([, value]) => value !== null && value !== undefined && value !== "");
    pdf.href = `/api/v1/sheets/${kind}?${new URLSearchParams(pairs)}`;
  }

  const stops = [on("document", () => {
    begin();
    if (state.kind === "sequence") draw();
  })];
  begin();
  return () => stops.forEach((stop) => stop());
}

function frequency() {
  try {
    return Number(localStorage.getItem("contactd.frequency")) || null;
  } catch {
    return null;
  }
}

const table = (caption, heads, rows) => make("table", {}, make("caption", {}, caption), make("thead", {}, make("tr", {}, heads.map((text) => make("th", {scope: "col"}, text)))),
  make("tbody", {}, rows.map(([first, ...others]) => make("tr", {}, make("th", {scope: "row"}, first), others.map((text) => make("td", {}, text))))));
const facts = (pairs) => make("dl", {class: "moments"}, pairs.map(([name, text]) => [make("dt", {}, name), make("dd", {}, text)]));
const boxes = (labels) => make("ul", {class: "boxes"}, labels.map((text) => make("li", {}, text)));
// Each time on the safe side, as on the printed sheet.
const earliest = (text) => full(noLater(parse(text)));
const latest = (text) => full(noEarlier(parse(text)));
const span = (each) => {
  const [from, to] = [earliest(each.from), latest(each.to)];
  return `${from} to ${from.slice(0, 10) === to.slice(0, 10) ? to.slice(11) : to}`;
};
const clear = (step) => step.keep_clear ? `${span(step.keep_clear)}${step.keep_clear.zone ? `, zone ${step.keep_clear.zone}` : ""}` : "";
const windows = (spans, at) => spans.map((each) => within(parse(each.from), parse(each.to), at)).join(", ") || "not in this contact";

function head(title, under) {
  return make("header", {}, make("h2", {}, title), make("p", {class: "quiet"}, under));
}

function foot(notice) {
  return make("p", {class: "small quiet"}, `As known at ${full(noLater(service.knownAt ? parse(service.knownAt) : now()))}, ledger at record ${service.document.ledger_at}. ${notice}`);
}

function sequenceSheet(sequence) {
  const {start, steps} = sequence;
  const hazards = steps.filter((step) => step.hazard || step.stop_possible !== null);
  return [head(`${sequence.target}: ${sequence.sequence}`, "Sequence sheet. All times are UTC. Earliest and latest are bounds; the nominal is the best estimate."),
    facts([["Start", start.status], ...(start.earliest ? [["Between", span({from: start.earliest, to: start.latest})]] : []),
      ...sequence.people_near.map((each) => ["People near", span(each)]), ...(sequence.longest_gap ? [["Longest gap", span(sequence.longest_gap)]] : [])]),
    sequence.conflicts.map((text) => make("p", {class: "caution"}, mark("caution"), " ", text)),
    steps.filter((step) => step.people_in_keep_clear.length).map((step) => make("p", {class: "warning"}, mark("warning"), ` People planned near during keep-clear, step '${step.step}'`)),
    make("div", {class: "scroll", tabindex: 0, role: "region", "aria-label": "Countdowns"}, table("Countdowns", ["Step", "Earliest", "Nominal", "Latest", "Covered", "Stations"],
      steps.map((step) => [`${step.step} (${step.status})`, earliest(step.earliest), full(nearest(parse(step.nominal))), latest(step.latest), step.coverage ?? "", step.stations.join(", ")]))),
    hazards.length > 0 && make("div", {class: "scroll", tabindex: 0, role: "region", "aria-label": "Hazards"}, table("Hazards: keep clear, stop by", ["Step", "Hazard", "Keep clear", "Stop"],
      hazards.map((step) => [step.step, step.hazard ?? "", clear(step), step.stop_text]))),
    make("h3", {}, "Why"), make("ul", {class: "sentences"}, steps.flatMap((step) => [step.cause?.text && `${step.coverage}: ${step.cause.text}`, ...step.reasons.slice(0, 2)].filter(Boolean).map((text) => make("li", {}, `'${step.step}': ${text}`)))),
    make("h3", {}, "Confirmed"), steps.map((step) => boxes([`'${step.step}' confirmed at (UTC)`, "by", "countdown read, at (UTC)"])), foot(sequence.notice)];
}

function contactSheet(sky, target) {
  const {contact, samples} = sky;
  const off = sky.uncertain_s ? ` ± ${(Math.ceil(10 * sky.uncertain_s) / 10).toFixed(1)} s` : "";
  const step = samples.unix_ms.at(-1) - samples.unix_ms[0] > 90 * MINUTE ? 30 * MINUTE : MINUTE;
  const rows = samples.unix_ms.map((when, index) => [when, index]).filter(([when, index]) => when % step === 0 || index === 0 || index === samples.unix_ms.length - 1);
  const aboard = target.sequences.flatMap((sequence) => sequence.steps).filter((each) => each.earliest && each.status !== "stopped");
  const [aos, tca, los] = [noLater(parse(contact.aos)), nearest(parse(contact.tca)), noLater(parse(contact.los))];
  return [head(`${contact.target}: contact with ${contact.station}`, `Contact sheet, ${full(aos)} to ${clock(los)}. All times are UTC.`),
    contact.degraded && make("p", {class: "caution"}, mark("caution"), ` Station degraded ${statedWords(contact.degraded, parse(contact.aos))}`),
    contact.outage && make("p", {class: "warning"}, mark("warning"), ` Station out of service ${span(contact.outage)}${contact.outage.why ? `: ${contact.outage.why}` : ""}`),
    make("div", {class: "sheet-pair"}, make("div", {}, facts([["AOS", `${clock(aos)}${off}, azimuth ${contact.aos_azimuth_deg.toFixed(0)}°`],
      ["TCA", `${clock(tca)}, azimuth ${contact.tca_azimuth_deg.toFixed(0)}°, ${contact.max_elevation_deg.toFixed(1)}° up, ${contact.tca_range_km.toFixed(0)} km`],
      ["LOS", `${clock(los)}${off}, azimuth ${contact.los_azimuth_deg.toFixed(0)}°`], ["Lasts", length(contact.duration_s * 1000, Math.floor)],
      ...Object.entries(sky.windows).map(([name, spans]) => [name, windows(spans, aos)])])),
    make("div", {class: "dome"}, dome(sky).element)),
    aboard.length > 0 && make("div", {class: "scroll", tabindex: 0, role: "region", "aria-label": "Aboard"}, table("Aboard", ["Step", "Earliest", "Latest", "Covered", "Stop", "Keep clear"],
      aboard.map((each) => [each.step, earliest(each.earliest), latest(each.latest), each.coverage ?? "", each.stop_text, clear(each)]))),
    make("div", {class: "scroll", tabindex: 0, role: "region", "aria-label": "Pointing"}, table("Pointing", ["UTC", "Azimuth °", "Elevation °", "Range km", "Doppler ppm"],
      rows.map(([when, index]) => [clock(nearest(when)), samples.azimuth_deg[index]?.toFixed(1), samples.elevation_deg[index]?.toFixed(1), samples.range_km[index]?.toFixed(0), samples.doppler_ppm[index]?.toFixed(3)]))),
    make("h3", {}, "Worked"), boxes(["Acquired at (UTC)", "Lost at (UTC)", "Commands sent, with times", "By"]), boxes(["Telemetry, countdowns read (value at UTC), remarks"]),
    foot(target.sequences.map((sequence) => sequence.notice).find(Boolean) ?? "")];
}
