// Everything that goes to the server and comes from it. The key lives in this tab only.

const KEY = "lobscope-key";

export class Refused extends Error {
  constructor(status, said) {
    super(said.message ?? "That did not work.");
    this.status = status;
    this.code = said.code ?? "unknown";
    this.advice = said.advice ?? "";
    this.place = said.place ?? null;
  }
}

export async function enter() {
  const given = new URLSearchParams(location.hash.slice(1));
  // Out of the address bar and the history, where others may read it.
  history.replaceState(null, "", location.pathname);
  if (given.has("key")) sessionStorage.setItem(KEY, given.get("key"));
  if (given.has("ticket")) {
    const body = JSON.stringify({ ticket: given.get("ticket") });
    const answer = await fetch("/api/enter", { method: "POST", headers: { "content-type": "application/json" }, body });
    if (!answer.ok) throw new Refused(answer.status, await answer.json());
    sessionStorage.setItem(KEY, (await answer.json()).key);
  }
}

async function ask(method, path, body, signal) {
  const headers = { "x-lobscope-key": sessionStorage.getItem(KEY) ?? "" };
  if (method !== "GET") headers["content-type"] = "application/json";
  const options = { method, headers, signal };
  if (body !== undefined) options.body = JSON.stringify(body);
  const answer = await fetch(path, options);
  if (answer.ok) return answer;
  let said = {};
  try { said = await answer.json(); } catch { /* not even a sentence */ }
  throw new Refused(answer.status, said);
}

export const get = async (path) => (await ask("GET", path)).json();
export const post = async (path, body = {}) => (await ask("POST", path, body)).json();
export const drop = async (path) => (await ask("DELETE", path)).json();
export const blob = async (path, signal) => (await ask("GET", path, undefined, signal)).blob();

// News as server-sent events, read by hand since only this way the key can be sent along.
export async function news(hear) {
  const answer = await ask("GET", "/api/events");
  const reader = answer.body.pipeThrough(new TextDecoderStream()).getReader();
  let rest = "";
  for (;;) {
    const { value, done } = await reader.read();
    if (done) return;
    const parts = (rest + value).split("\n\n");
    rest = parts.pop();
    for (const part of parts) {
      const name = /^event: (.*)$/m.exec(part)?.[1];
      const data = /^data: (.*)$/m.exec(part)?.[1];
      if (name) hear(name, JSON.parse(data));
    }
  }
}

export function leave() {
  const headers = { "x-lobscope-key": sessionStorage.getItem(KEY) ?? "", "content-type": "application/json" };
  fetch("/api/left", { method: "POST", headers, body: "{}", keepalive: true }).catch(() => {});
}
