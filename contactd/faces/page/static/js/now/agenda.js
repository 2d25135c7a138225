// What comes next at all targets: the service's rows, decisions first, in order of time.

import {make, put} from "../dom.js";
import {mark} from "../marks.js";
import {fromNow, parse, range, safely} from "../times.js";

const MOST = {decisions: 6, routine: 4};

export function agenda(place, shown, moving) {
  const lists = [["decisions", "Decide", "Nothing to decide."], ["routine", "Routine", "Nothing within the prediction."]]
    .map(([name, title, otherwise]) => rows(title, shown.agenda[name], MOST[name], otherwise, moving));
  put(place, make("h2", {id: "coming-title"}, "Next, in order"), make("div", {}, lists));
}

function rows(title, all, most, otherwise, moving) {
  const list = make("ol", {class: "agenda", "aria-label": title});
  const more = make("p", {class: "small quiet"});
  let key = null;
  moving.push((present) => {
    const ahead = all.filter((row) => row.until_decided || parse(row.to) > present);
    const next = ahead.slice(0, most);
    const found = next.map((row) => row.from + row.text).join("|");
    if (found !== key) {
      key = found;
      put(list, next.length ? next.map(line) : make("li", {class: "quiet"}, otherwise));
      more.textContent = ahead.length > most ? `${ahead.length - most} more, later` : "";
    }
    for (const [index, row] of next.entries()) sayTime(list.children[index], row, present);
  });
  return make("section", {class: "agenda-list"}, make("h3", {}, title), list, more);
}

function line(row) {
  const sign = row.coverage ?? {"stop by": "warning", "stop chance": "warning", "next command": "warning", "keep clear": "clear", start: "caution"}[row.kind];
  return make("li", {class: `is-${row.kind.replaceAll(" ", "-")}`}, make("b", {"data-moment": ""}), make("time", {}),
    make("span", {}, sign && mark(sign), sign ? " " : "", `${row.target}: ${row.text}`));
}

function sayTime(element, row, present) {
  const [from, to] = [parse(row.from), parse(row.to)];
  element.children[0].textContent = present < from ? fromNow(from, present) : present < to ? "now" : "open";
  element.children[1].textContent = range(...safely(row.kind, from, to), present);
}
