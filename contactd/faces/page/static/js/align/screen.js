// Align: the settings, and the start times that they leave. A start under lit strips alone meets all rules.

import {make, put} from "../dom.js";
import {confirmChange} from "../changes.js";
import {verdict} from "../marks.js";
import {picker} from "../pickers.js";
import {get, on, service} from "../service.js";
import {between, clock, length, moment, near, parse} from "../times.js";
import {strips} from "./strips.js";

const RANKS = [["margin", "greatest margin"], ["finish", "earliest finish"], ["stations", "most stations"]];
const ROBUST = [["nothing", "nothing"], ["one missed contact", "one missed contact"], ["one lost station", "one lost station"]];

export function enter(place, query) {
  const state = {target: "", sequence: "", settings: {}, at: null, answer: null, turn: 0};
  const which = picker("Sequence", (value) => choose(value));
  const rank = picker("Rank by", () => plans());
  const robust = picker("Must survive", () => {
    ask();
    plans();
  });
  rank.offer(RANKS, "margin");
  robust.offer(ROBUST, "nothing");
  const settingRows = make("div", {class: "settings"});
  const picture = make("div", {});
  const start = make("input", {type: "range", min: 0, max: 1000, step: 1, "aria-label": "Start time", oninput: () => {
    const [from, to] = allowed();
    state.at = Math.round((from + (to - from) * start.value / 1000) / 1000) * 1000;
    ask();
  }});
  const best = make("button", {type: "button", onclick: () => {
    state.at = null;
    ask();
  }}, "Best start for these settings");
  const words = make("div", {class: "align-words", "aria-live": "polite"});
  const steps = make("div", {});
  const list = make("section", {class: "plans", "aria-labelledby": "plans-title"});
  const use = make("button", {type: "button", class: "first", onclick: useIt}, "Use this option");
  put(place, make("h1", {class: "unseen"}, "Align"), make("div", {class: "tools"}, which.element, rank.element, robust.element),
    make("div", {class: "align"}, make("div", {class: "align-main"}, settingRows, picture, start, make("div", {class: "tools"}, best, use), words, steps), list));

  const allowed = () => [state.answer.allowed.from, state.answer.allowed.to].map(parse);
  const asked = () => ({target: state.target, sequence: state.sequence, robust: robust.value});

  function begin() {
    const shown = service.document;
    if (!shown || state.target) return;
    const all = shown.targets.flatMap((target) => target.sequences.map((each) => [JSON.stringify([target.name, each.sequence]), `${target.name}: ${each.sequence}`, each.start.status]));
    if (!all.length) {
      put(words, make("p", {}, "No target has a sequence. There is nothing to align."));
      return;
    }
    const open = all.find(([, , status]) => ["expected", "pending"].includes(status)) ?? all[0];
    const wanted = query.get("target") ? JSON.stringify([query.get("target"), query.get("sequence")]) : open[0];
    choose(which.offer(all.map(([value, text]) => [value, text]), wanted));
  }

  async function choose(value) {
    [state.target, state.sequence] = JSON.parse(value);
    Object.assign(state, {settings: {}, at: null, answer: null});
    put(settingRows);
    await ask();
    await plans();
  }

  /** What the present settings leave; the latest question wins. */
  async function ask() {
    const mine = ++state.turn;
    try {
      const answer = await get("/alignment/starts", {...asked(), settings: JSON.stringify(state.settings), at: state.at === null ? null : new Date(state.at).toISOString()});
      if (mine !== state.turn) return;
      state.answer = answer;
    } catch (problem) {
      if (mine === state.turn) put(words, make("p", {class: "caution"}, problem.message));
      return;
    }
    show();
  }

  async function plans() {
    put(list, make("h2", {id: "plans-title"}, "Best options"), make("p", {class: "quiet"}, "Searching all settings."));
    try {
      const found = await get("/alignment", {...asked(), rank: rank.value, limit: 6});
      showPlans(found);
    } catch (problem) {
      put(list, make("h2", {id: "plans-title"}, "Best options"), make("p", {class: "caution"}, problem.message));
    }
  }

  function showPlans(found) {
    const cost = found.robust_cost_s;
    put(list, make("h2", {id: "plans-title"}, "Best options"),
      found.options.length === 0 && make("p", {class: "unseen-not"}, make("b", {}, "No option covers every step."), " What blocks it:"),
      make("ul", {}, found.blocked_by.map((each) => make("li", {}, make("p", {}, make("b", {}, each.step), `: ${each.reason}`), make("p", {class: "quiet"}, each.relaxation)))),
      make("ol", {}, found.options.map((option) => make("li", {class: "plan"}, make("p", {}, make("b", {}, `margin ${length(option.margin_s * 1000, Math.floor)}`), `, start ${near(parse(option.best_start), parse(service.beat?.now) ?? Date.now())}`),
        make("p", {class: "small quiet"}, Object.entries(option.settings).map(([step, seconds]) => `${step} ${length(seconds * 1000)}`).join(", ")),
        make("button", {type: "button", onclick: () => take(option)}, "Use these settings", make("span", {class: "unseen"}, `: margin ${length(option.margin_s * 1000, Math.floor)}, start ${option.best_start}`))))),
      cost !== null && make("p", {class: "small"}, `Surviving it costs ${length(cost * 1000)} of margin.`),
      !found.complete && make("p", {class: "caution small"}, "The search stopped at its bound. Better options may exist."),
      found.notice && make("p", {class: "small quiet"}, found.notice));
  }

  function take(option) {
    state.settings = {...option.settings};
    state.at = Date.parse(option.best_start);
    put(settingRows);
    ask();
  }

  function show() {
    const {answer} = state;
    if (!settingRows.childElementCount) put(settingRows, answer.settings.map((setting) => settingRow(setting)));
    for (const setting of answer.settings) state.settings[setting.step] ??= setting.value_s;
    const [from, to] = allowed();
    const at = parse(answer.at);
    start.value = Math.round(1000 * (at - from) / Math.max(to - from, 1));
    start.setAttribute("aria-valuetext", moment(at));
    put(picture, strips(answer, at, (when) => {
      state.at = when;
      ask();
    }));
    const inside = answer.feasible.find((each) => parse(each.from) <= at && at <= parse(each.to));
    const margin = inside ? Math.min(at - parse(inside.from), parse(inside.to) - at) : null;
    put(words, make("p", {}, make("b", {class: "figures"}, moment(at)), inside ? ` covers every step, margin ${length(margin, Math.floor)}, earlier or later.` : " does not cover every step."),
      answer.feasible.length === 0 ? make("p", {}, why(answer)) : make("p", {class: "quiet"}, `These settings leave ${answer.feasible.length} ${answer.feasible.length === 1 ? "range" : "ranges"} of start times; best start ${moment(parse(answer.best.start))}, margin ${length(answer.best.margin_s * 1000, Math.floor)}.`));
    put(steps, stepsTable(answer));
    use.disabled = answer.settings.length === 0 && !inside;
  }

  function settingRow(setting) {
    const output = make("output", {}, length(setting.value_s * 1000));
    const name = `setting-${setting.step}`;
    const input = make("input", {type: "range", id: name, min: setting.least_s, max: setting.greatest_s, step: setting.resolution_s, value: setting.value_s, "aria-valuetext": length(setting.value_s * 1000), oninput: () => {
      state.settings[setting.step] = Number(input.value);
      output.textContent = length(Number(input.value) * 1000);
      input.setAttribute("aria-valuetext", output.textContent);
      ask();
    }});
    input.value = setting.value_s;
    const more = setting.exceeds.map((each) => `must exceed ${each.step}${each.by_s ? ` by ${length(each.by_s * 1000)}` : ""}`).join(", ");
    return make("div", {class: "setting"}, make("label", {for: name}, setting.step), output, input,
      make("p", {class: "small quiet"}, `${length(setting.least_s * 1000)} to ${length(setting.greatest_s * 1000)} in steps of ${length(setting.resolution_s * 1000)}${more ? `; ${more}` : ""}`));
  }

  async function useIt() {
    try {
      await confirmChange({title: `Use this option for ${state.target}`, preview: "/alignment/preview", write: "/alignment/use",
        body: {target: state.target, sequence: state.sequence, start: state.answer.at, settings: state.settings}});
    } catch (problem) {
      put(words, make("p", {class: "caution"}, problem.message));
    }
  }

  const stop = on("document", begin);
  begin();
  return stop;
}

/** Which rule leaves nothing by itself, or that all have room but never together. */
function why(answer) {
  const alone = answer.by_rule.find((rule) => rule.starts.length === 0);
  if (alone) return `With these settings no allowed start meets the ${alone.rule} of '${alone.step}'.`;
  return "Each rule leaves some start times, but no start meets all rules.";
}

function stepsTable(answer) {
  return make("div", {class: "scroll", tabindex: 0, role: "region", "aria-label": "Steps for this start"}, make("table", {class: "steps-table"},
    make("caption", {}, `Steps for a start at ${clock(parse(answer.at))}`),
    make("thead", {}, make("tr", {}, ["Step", "Expires", "", "Stations", "Margin"].map((text) => make("th", {scope: "col"}, text || make("span", {class: "unseen"}, "Covered"))))),
    make("tbody", {}, answer.steps.map((step) => make("tr", {}, make("th", {scope: "row"}, step.step),
      make("td", {}, step.earliest ? between(parse(step.earliest), parse(step.latest), parse(answer.at)) : "not known"), make("td", {}, verdict(step.coverage)),
      make("td", {}, step.stations.join(", ") || "none"), make("td", {}, step.margin_s === null ? "–" : length(step.margin_s * 1000, Math.floor)))))));
}
