// The service: its documents, its time, and whether it still answers.

const ROOT = "/api/v1";
const SILENT_AFTER_MS = 4000;
const TRY_AGAIN_MS = 1000;
const MOST_TRIES = 4; // of reading while the service is busy

/** An answer that is a problem document (RFC 9457). */
export class Problem extends Error {
  constructor(document) {
    super(document.detail ?? "the service gave no reason");
    this.code = document.code ?? "unexpected";
    this.status = document.status ?? 0;
    this.errors = document.errors ?? [];
  }
}

export const service = {
  document: null, // of /now
  session: {name: "", role: null, csrf: "", can_change: false, operators_exist: true},
  beat: null,
  stale: true,
  heardAt: null,
  knownAt: null, // time travel: UTC text, or null for the present
  problem: null,
};

const listeners = new Map();

/** Listen to `document`, `beat`, `stale`, `session` or `change`; returns how to stop. */
export function on(event, listener) {
  if (!listeners.has(event)) listeners.set(event, new Set());
  listeners.get(event).add(listener);
  return () => listeners.get(event).delete(listener);
}

function tell(event) {
  (listeners.get(event) ?? []).forEach((listener) => listener());
}

let base = null; // [service's time, this page's time] at the last beat

/** The service's present in milliseconds; it stands still while the service is silent. */
export function now() {
  if (base === null) return Date.now();
  const elapsed = service.stale ? 0 : performance.now() - base[1];
  return base[0] + elapsed;
}

/** Ask for a document. */
export async function get(path, query = {}) {
  return ask("GET", path, query);
}

/** Send something; `headers` beside the page's own. */
export async function send(method, path, body, query = {}, headers = {}) {
  return ask(method, path, query, body, headers);
}

async function ask(method, path, query, body, more = {}, tries = MOST_TRIES) {
  const pairs = Object.entries(query).flatMap(([name, value]) =>
    value === null || value === undefined || value === "" ? []
      : Array.isArray(value) ? value.map((each) => [name, each]) : [[name, value]]);
  const address = `${ROOT}${path}${pairs.length ? `?${new URLSearchParams(pairs)}` : ""}`;
  const headers = {Accept: "application/json", ...more};
  if (body !== undefined) headers["Content-Type"] = "application/json";
  if (method !== "GET" && service.session.csrf) headers["X-Contactd-Csrf"] = service.session.csrf;
  let answer;
  try {
    answer = await fetch(address, {method, headers, credentials: "same-origin", cache: "no-cache",
      body: body === undefined ? undefined : JSON.stringify(body)});
  } catch {
    throw new Problem({detail: "the service does not answer", code: "silent"});
  }
  if (answer.status === 503 && method === "GET" && tries > 1 && answer.headers.has("Retry-After")) {
    await new Promise((done) => setTimeout(done, 1000 * (Number(answer.headers.get("Retry-After")) || 1)));
    return ask(method, path, query, body, more, tries - 1);
  }
  if (!answer.ok) throw new Problem(await answer.json().catch(() => ({status: answer.status})));
  if (answer.status === 204) return null;
  const document = await answer.json();
  const next = /<([^>]+)>;\s*rel="next"/.exec(answer.headers.get("Link") ?? "");
  if (next && Array.isArray(document)) document.next = next[1].slice(ROOT.length);
  return document;
}

/** Ask who is signed in. */
export async function whoAmI() {
  try {
    service.session = await get("/session");
  } catch (problem) {
    if (problem.status === 401) {
      service.session = {name: "", role: null, csrf: "", can_change: false, operators_exist: true, needed: true};
    }
  }
  tell("session");
}

let asking = null;
let askAgain = false;

/** Ask for what matters now; several wishes at once become one question and one more after it. */
export function refresh() {
  if (asking) {
    askAgain = true;
    return asking;
  }
  asking = (async () => {
    try {
      service.document = await get("/now", {known_at: service.knownAt});
      service.problem = null;
    } catch (problem) {
      service.problem = problem;
      if (problem.status === 401) await whoAmI();
    } finally {
      asking = null;
    }
    tell("document");
    if (askAgain) {
      askAgain = false;
      refresh();
    }
  })();
  return asking;
}

/** Look at the state as it was known at a moment; null for the present. */
export async function travel(knownAt) {
  service.knownAt = knownAt;
  tell("travel");
  await refresh();
}

let source = null;
let reopen = null;

function heard() {
  service.heardAt = performance.now();
  if (service.stale) {
    service.stale = false;
    delete document.documentElement.dataset.stale;
    tell("stale");
    refresh();
  }
}

function listen() {
  source?.close();
  source = new EventSource(`${ROOT}/changes`);
  source.addEventListener("beat", (event) => {
    service.beat = JSON.parse(event.data);
    heard();
    base = [Date.parse(service.beat.now), performance.now()];
    tell("beat");
  });
  source.addEventListener("change", () => {
    heard();
    if (service.knownAt === null) refresh();
    tell("change");
  });
  source.addEventListener("error", () => {
    // The browser gives up after an answer that is no stream: open a new one.
    if (source.readyState === EventSource.CLOSED) {
      clearTimeout(reopen);
      reopen = setTimeout(listen, TRY_AGAIN_MS);
    }
  });
}

function watch() {
  const silent = service.heardAt === null || performance.now() - service.heardAt > SILENT_AFTER_MS;
  if (silent && !service.stale) {
    if (base) base = [base[0] + (performance.now() - base[1]), performance.now()];
    service.stale = true;
    document.documentElement.dataset.stale = "";
    tell("stale");
  }
}

/** Start listening; called once. */
export function begin() {
  document.documentElement.dataset.stale = "";
  listen();
  setInterval(watch, 250);
  whoAmI();
  refresh();
}
