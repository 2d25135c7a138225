// Sky: one contact as the station's antenna follows it.

import {onChoice} from "../choices.js";
import {chart, styleCharts} from "../charts.js";
import {field, make, put} from "../dom.js";
import {mark} from "../marks.js";
import {contactsOf, picker} from "../pickers.js";
import {get, now, on, service} from "../service.js";
import {between, clock, day, length, moment, nearest, noLater, parse, statedWords, within} from "../times.js";
import {dome} from "./dome.js";

const FREQUENCY = "contactd.frequency";

export function enter(place, query) {
  styleCharts();
  const wanted = {target: query.get("target"), station: query.get("station"), at: query.get("at")};
  const state = {target: "", station: "", contacts: [], chosen: -1, sky: null, charts: []};
  const targets = picker("Target", (value) => choose(value, state.station));
  const stations = picker("Station", (value) => choose(state.target, value));
  const contacts = picker("Contact", (value) => open(state.contacts.findIndex((each) => each.value === value)));
  const before = make("button", {type: "button", onclick: () => open(state.chosen - 1)}, "Earlier");
  const after = make("button", {type: "button", onclick: () => open(state.chosen + 1)}, "Later");
  const frequency = make("input", {name: "frequency", type: "number", min: "1", max: "100000", step: "any", value: stored()});
  const picture = make("div", {class: "dome"});
  const words = make("div", {class: "sky-words"});
  const curves = make("div", {class: "curves"});
  const table = make("div", {class: "pointing"});
  put(place, make("h1", {class: "unseen"}, "Sky"),
    make("div", {class: "tools"}, targets.element, stations.element, contacts.element, before, after),
    make("div", {class: "sky"}, picture, make("div", {class: "sky-side"}, words, field("Frequency of the link, MHz", frequency), curves)), table);
  frequency.addEventListener("change", () => {
    frequency.dataset.touched = "";
    try {
      localStorage.setItem(FREQUENCY, frequency.value);
    } catch {
      // Kept for this visit only.
    }
    show();
  });

  async function begin() {
    const shown = service.document;
    if (!shown) return;
    const names = shown.targets.map((target) => target.name);
    const all = await get("/stations");
    stations.offer([["", "any station"], ...all.map((each) => [each.name, each.name])], wanted.station ?? "");
    const urgent = shown.targets.find((target) => target.sequences.length && target.next_contact) ?? shown.targets.find((target) => target.next_contact);
    await choose(targets.offer(names.map((name) => [name, name]), wanted.target ?? urgent?.name), stations.value);
  }

  async function choose(target, station) {
    state.target = target;
    state.station = station;
    if (!target) return;
    try {
      state.contacts = await contactsOf(target, station);
    } catch (problem) {
      tell(problem.message);
      return;
    }
    contacts.offer(state.contacts.map((each) => [each.value, each.text]), "");
    const at = wanted.at ? Date.parse(wanted.at) : now();
    wanted.at = null;
    open(state.contacts.findIndex((each) => Date.parse(each.contact.los) > at));
  }

  async function open(index) {
    const found = state.contacts[index];
    before.disabled = index <= 0;
    after.disabled = index < 0 || index >= state.contacts.length - 1;
    if (!found) {
      tell(state.station ? `${state.target} has no contact with ${state.station} in the prediction.` : `${state.target} has no contact in the prediction.`);
      return;
    }
    state.chosen = index;
    contacts.offer(state.contacts.map((each) => [each.value, each.text]), found.value);
    try {
      state.sky = await get("/sky", {target: state.target, station: found.contact.station, at: found.contact.tca});
    } catch (problem) {
      tell(problem.message);
      return;
    }
    if (!alive) return;
    history.replaceState(null, "", `#/sky?${new URLSearchParams({target: state.target, station: found.contact.station, at: found.contact.tca})}`);
    show();
  }

  function tell(text) {
    clear();
    put(picture);
    put(table);
    put(words, make("p", {role: "status"}, text));
  }

  function clear() {
    state.charts.forEach((each) => each.end());
    state.charts = [];
  }

  let moveDome = () => null;
  let alive = true;

  function show() {
    const sky = state.sky;
    if (!sky) return;
    clear();
    const made = dome(sky);
    moveDome = made.move;
    put(picture, made.element);
    put(words, inWords(sky));
    const {samples} = sky;
    if (sky.links.length && !frequency.dataset.touched) frequency.value = String(sky.links[0].frequency_mhz);
    const mhz = Number(frequency.value) || 0;
    const times = samples.unix_ms;
    state.charts.push(chart(curves, "Elevation and range", times, [
      {label: "elevation", unit: "°", values: samples.elevation_deg, colour: "window"},
      {label: "range", unit: "km", values: samples.range_km, colour: "soft", scale: "km", dash: [6, 4]}], {height: 170, ranges: {y: [0, 90]}}));
    if (mhz > 0) {
      const shift = samples.doppler_ppm.map((each) => each === null ? null : each * mhz / 1000);
      const loss = samples.range_km.map((each) => each === null ? null : 32.4478 + 20 * Math.log10(mhz) + 20 * Math.log10(each));
      state.charts.push(chart(curves, `Doppler and free-space loss at ${mhz} MHz`, times, [
        {label: "Doppler, received", unit: "kHz", values: shift, colour: "near"},
        {label: "loss", unit: "dB", values: loss, colour: "soft", scale: "dB", dash: [6, 4]}], {height: 170}));
    }
    if (sky.links.length) showLinks(sky, times);
    put(table, pointingTable(sky, mhz));
    moveDome(now());
  }

  function showLinks(sky, times) {
    const colours = ["window", "near", "clear", "soft"];
    const lines = sky.links.map((link, index) => ({label: `${link.name}, ${link.direction}`, unit: "dB", values: link.margin_db, colour: colours[index % colours.length], dash: index ? [4 + 2 * index, 3] : undefined}));
    const wanted = Math.max(...sky.links.map((link) => link.required_margin_db));
    lines.push({label: "required", unit: "dB", values: times.map(() => wanted), colour: "risk", dash: [2, 4]});
    state.charts.push(chart(curves, `Link margin: ${sky.links.map((link) => `${link.name} ${link.direction} at ${link.frequency_mhz} MHz`).join(", ")}; required ${wanted} dB`, times, lines, {height: 170, label: "margin, dB"}));
  }

  const stops = [on("document", () => state.target || begin()), onChoice(show)];
  const timer = setInterval(() => moveDome(now()), 1000);
  begin();
  return () => {
    alive = false;
    clearInterval(timer);
    clear();
    stops.forEach((stop) => stop());
  };
}

function stored() {
  try {
    return localStorage.getItem(FREQUENCY) ?? "437";
  } catch {
    return "437";
  }
}

function inWords(sky) {
  const {contact} = sky;
  const [aos, tca, los] = [noLater(parse(contact.aos)), nearest(parse(contact.tca)), noLater(parse(contact.los))];
  const cut = [contact.cut_at_start && "in view before the prediction's start", contact.cut_at_end && "in view beyond the prediction's end"].filter(Boolean);
  const uncertain = sky.uncertain_s ? `, AOS and LOS ± ${(Math.ceil(10 * sky.uncertain_s) / 10).toFixed(1)} s` : "";
  const line = (name, when, text) => [make("dt", {}, name), make("dd", {}, make("b", {class: "figures"}, clock(when)), ` ${text}`)];
  return [make("h2", {}, `${contact.target}: contact with ${contact.station}`), make("p", {class: "quiet"}, `${day(aos)}, ${length(los - aos)}${uncertain}${cut.length ? `; ${cut.join(" and ")}` : ""}`),
    make("dl", {class: "moments"}, line("AOS", aos, `azimuth ${contact.aos_azimuth_deg.toFixed(0)}°`),
      line("TCA", tca, `azimuth ${contact.tca_azimuth_deg.toFixed(0)}°, ${contact.max_elevation_deg.toFixed(1)}° up, ${contact.tca_range_km.toFixed(0)} km`),
      line("LOS", los, `azimuth ${contact.los_azimuth_deg.toFixed(0)}°`)),
    contact.degraded && make("p", {class: "caution"}, mark("caution"), ` station degraded ${statedWords(contact.degraded, aos)}`),
    contact.outage && make("p", {class: "warning"}, mark("warning"), ` station out of service ${between(parse(contact.outage.from), parse(contact.outage.to), aos)}${contact.outage.why ? `: ${contact.outage.why}` : ""}`),
    sky.keyhole.map((span) => make("p", {class: "caution"}, mark("caution"), ` the mount cannot follow ${between(parse(span.from), parse(span.to), aos)}`)),
    Object.entries(sky.windows).map(([service, spans]) => make("p", {}, make("b", {}, service), ": ",
      spans.length ? spans.map((span) => within(parse(span.from), parse(span.to), aos)).join(", ") : "not in this contact"))];
}

function pointingTable(sky, mhz) {
  const {samples} = sky;
  const ends = [0, samples.unix_ms.length - 1];
  const step = samples.unix_ms.length > 90 ? 120_000 : 60_000;
  const rows = samples.unix_ms.map((when, index) => [when, index]).filter(([when, index]) => ends.includes(index) || when % step === 0);
  const heads = ["UTC", "Azimuth °", "Elevation °", "Range km", "Rate km/s", mhz ? `Doppler kHz at ${mhz} MHz` : "Doppler ppm", "In sunlight"];
  return make("details", {}, make("summary", {}, "Pointing by the minute"), make("div", {class: "scroll", tabindex: 0, role: "region", "aria-label": "Pointing"},
    make("table", {}, make("caption", {class: "unseen"}, `Pointing of ${sky.contact.station} to ${sky.contact.target}, ${moment(samples.unix_ms[0])}`),
      make("thead", {}, make("tr", {}, heads.map((text) => make("th", {scope: "col"}, text)))),
      make("tbody", {}, rows.map(([when, index]) => make("tr", {}, [clock(when), samples.azimuth_deg[index]?.toFixed(1), samples.elevation_deg[index]?.toFixed(1),
        samples.range_km[index]?.toFixed(0), samples.range_rate_km_s[index]?.toFixed(3),
        mhz ? (samples.doppler_ppm[index] * mhz / 1000).toFixed(3) : samples.doppler_ppm[index]?.toFixed(3), samples.sunlit[index] > 0.5 ? "yes" : "no"].map((text) => make("td", {}, text))))))));
}
