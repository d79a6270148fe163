// Asking and telling lugwatch: what is told carries this page's token, asked for anew when it is too old.
import { t } from "./texts.js";

let token = document.querySelector('meta[name="token"]')?.content || "";

async function freshToken() {
  const answer = await fetch("/api/session", { cache: "no-store" });
  token = (await answer.json()).token;
}

async function once(path, body) {
  return fetch(path, {
    method: "POST", cache: "no-store",
    headers: { "X-Lugwatch-Token": token, ...(body ? { "Content-Type": "application/json" } : {}) },
    body: body ? JSON.stringify(body) : undefined,
  });
}

/** The answer's object. Throws an Error with one sentence for the reader. */
export async function tell(path, body) {
  let answer;
  try {
    answer = await once(path, body);
    if (answer.status === 403) {
      await freshToken(); // the server was started anew, or this phone entered in another tab
      answer = await once(path, body);
    }
  } catch {
    throw new Error(t("error.no_contact"));
  }
  const said = await answer.json().catch(() => ({}));
  if (answer.ok) return said;
  const error = new Error(typeof said.detail === "string" ? said.detail : t("error.no_contact"));
  error.locked = answer.status === 401;
  error.status = answer.status;
  error.waitSeconds = Number(answer.headers.get("Retry-After") || 0);
  throw error;
}

export async function ask(path) {
  const answer = await fetch(path, { cache: "no-store" });
  if (!answer.ok) throw new Error(String(answer.status));
  return answer.json();
}
