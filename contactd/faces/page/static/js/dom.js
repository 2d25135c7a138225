// Making elements. Text always becomes a text node: nothing that comes from the service or from a
// file is ever read as markup.

const SVG = "http://www.w3.org/2000/svg";

function fill(element, properties, children) {
  for (const [name, value] of Object.entries(properties ?? {})) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (name === "dataset") Object.assign(element.dataset, value);
    else if (name === "value") element.value = value;
    else element.setAttribute(name, value === true ? "" : String(value));
  }
  element.append(...children.flat(Infinity).filter((child) => child !== null && child !== undefined && child !== false));
  return element;
}

/** An HTML element: `make("p", {class: "quiet", onclick: f}, "text", child)`. */
export function make(tag, properties, ...children) {
  return fill(document.createElement(tag), properties, children);
}

/** An SVG element. */
export function draw(tag, properties, ...children) {
  return fill(document.createElementNS(SVG, tag), properties, children);
}

/** Replace all that an element holds. */
export function put(element, ...children) {
  element.replaceChildren(...children.flat(Infinity).filter((child) => child !== null && child !== undefined && child !== false));
  return element;
}

/** Set text only when it differs, so that nothing is laid out again for nothing. */
export function say(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

let counter = 0;

/** An id that nothing else on the page has. */
export function fresh(prefix) {
  counter += 1;
  return `${prefix}-${counter}`;
}

/** A labelled field; `control` gets the label, the hint and room for what is wrong. */
export function field(label, control, hint) {
  const id = control.id || fresh("field");
  control.id = id;
  const wrong = make("p", {class: "field-wrong", id: `${id}-wrong`, hidden: true});
  const told = hint ? make("p", {class: "field-hint", id: `${id}-hint`}, hint) : null;
  control.setAttribute("aria-describedby", [hint ? `${id}-hint` : "", `${id}-wrong`].join(" ").trim());
  return make("div", {class: control.tagName === "TEXTAREA" ? "wide" : null, dataset: {field: control.name}},
    make("label", {for: id}, label), control, told, wrong);
}

/** A message for those who listen instead of looking. */
export function announce(text) {
  const place = document.getElementById("announcer") ??
    document.body.appendChild(make("p", {id: "announcer", class: "unseen", role: "status"}));
  place.textContent = text;
}
