// How this reader wants the page: kept in this browser, nowhere else.

const PREFIX = "contactd.";
const ALLOWED = {
  paper: ["dark", "light", "system"],
  size: ["desk", "wall"],
  days: ["calendar", "of-year"],
  local: ["no", "yes"],
  keys: ["yes", "no"],
};

export const choices = {};
const listeners = new Set();

function stored(name) {
  try {
    return localStorage.getItem(PREFIX + name);
  } catch {
    return null;
  }
}

for (const [name, values] of Object.entries(ALLOWED)) {
  const value = stored(name);
  choices[name] = values.includes(value) ? value : values[0];
}

const light = matchMedia("(prefers-color-scheme: light)");

function show() {
  const paper = choices.paper === "system" ? (light.matches ? "light" : "dark") : choices.paper;
  document.documentElement.dataset.paper = paper;
  document.documentElement.dataset.size = choices.size;
}

light.addEventListener("change", () => {
  show();
  listeners.forEach((listener) => listener("paper"));
});
show();

/** Choose, keep and show; whoever draws is told. */
export function choose(name, value) {
  if (!ALLOWED[name].includes(value)) return;
  choices[name] = value;
  try {
    localStorage.setItem(PREFIX + name, value);
  } catch {
    // A browser that keeps nothing forgets it at the next load.
  }
  show();
  listeners.forEach((listener) => listener(name));
}

/** Call `listener(name)` at each choice; returns how to stop that. */
export function onChoice(listener) {
  listeners.add(listener);
  return () => listeners.delete(listener);
}

/** A colour of the present paper, for what is drawn on a canvas. */
export function ink(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
}
