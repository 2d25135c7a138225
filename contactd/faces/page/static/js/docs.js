// The interface's documentation, made from its OpenAPI document. Nothing comes from elsewhere.

import "./choices.js";
import {make, put} from "./dom.js";

const place = document.getElementById("screen");
const METHODS = ["get", "post", "put", "delete"];

function typeOf(schema, open) {
  if (!schema) return "";
  if (schema.$ref) {
    const name = schema.$ref.split("/").pop();
    return make("a", {href: `#${name}`}, name);
  }
  const either = schema.anyOf ?? schema.oneOf;
  if (either) return either.flatMap((each, index) => index ? [" or ", typeOf(each, open)] : [typeOf(each, open)]);
  if (schema.enum) return schema.enum.map((each) => JSON.stringify(each)).join(" or ");
  if (schema.const !== undefined) return JSON.stringify(schema.const);
  if (schema.type === "array") return ["list of ", typeOf(schema.items ?? schema.prefixItems?.[0], open)];
  return schema.format ? `${schema.type} (${schema.format})` : schema.type ?? "any";
}

function example(schema) {
  const value = schema?.examples?.[0] ?? schema?.default;
  return value === undefined || value === null ? "" : JSON.stringify(value);
}

const table = (caption, heads, rows) => make("div", {class: "scroll", tabindex: 0, role: "region", "aria-label": caption}, make("table", {class: "steps-table"},
  make("caption", {}, caption), make("thead", {}, make("tr", {}, heads.map((text) => make("th", {scope: "col"}, text)))),
  make("tbody", {}, rows.map(([first, ...others]) => make("tr", {}, make("th", {scope: "row"}, make("code", {}, first)), others.map((text) => make("td", {}, text)))))));

function operation(path, method, what) {
  const parameters = what.parameters ?? [];
  const body = what.requestBody?.content?.["application/json"]?.schema;
  const answers = Object.entries(what.responses).filter(([code]) => code.startsWith("2"));
  return make("section", {class: "operation"}, make("h3", {}, make("code", {}, `${method.toUpperCase()} ${path}`)), make("p", {}, make("b", {}, what.summary ?? ""), " ", what.description ?? ""),
    parameters.length > 0 && table(`Query of ${method} ${path}`, ["Name", "Type", "Needed", "Example", "What"], parameters.map((each) => [each.name, typeOf(each.schema), each.required ? "yes" : "", make("code", {}, example(each.schema)), each.description ?? ""])),
    body && make("p", {}, "Body: ", typeOf(body)),
    answers.map(([code, answer]) => make("p", {}, `Answers ${code}: `, Object.entries(answer.content ?? {}).map(([type, content]) => [make("code", {}, type), " ", typeOf(content.schema)]))));
}

function model(name, schema) {
  const needed = schema.required ?? [];
  return make("section", {id: name}, make("h3", {}, name), make("p", {}, schema.description ?? ""),
    schema.properties && table(name, ["Member", "Type", "Needed", "Example", "What"], Object.entries(schema.properties).map(([key, each]) => [key, typeOf(each), needed.includes(key) ? "yes" : "", make("code", {}, example(each)), each.description ?? ""])));
}

try {
  const answer = await fetch("/api/v1/openapi.json");
  if (!answer.ok) throw new Error((await answer.json()).detail);
  const described = await answer.json();
  const operations = Object.entries(described.paths).flatMap(([path, methods]) => METHODS.filter((method) => methods[method]).map((method) => [path, method, methods[method]]));
  put(place, make("p", {class: "docs-about"}, described.info.description), make("p", {}, `Version ${described.info.version}. `, make("a", {href: "/api/v1/openapi.json"}, "The OpenAPI document")),
    make("h2", {}, "What can be asked"), operations.map(([path, method, what]) => operation(path, method, what)),
    make("h2", {}, "What is sent"), Object.entries(described.components.schemas).map(([name, schema]) => model(name, schema)));
} catch (problem) {
  put(place, make("p", {role: "alert"}, `The description could not be read: ${problem.message}`));
}
