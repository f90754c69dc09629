// The daemon's HTTP interface.

import { askForToken, authorization, kept } from "./token.js";

// Problem is an error that the daemon explained, or that kept it from answering.
export class Problem extends Error {
  constructor(message, status) {
    super(message);
    this.status = status; // 0: no answer
  }
}

// request is fetch with the token of this tab; when the daemon wants one, or
// another, the person is asked and the request goes out again.
export async function request(path, options = {}, limit = 0) {
  for (;;) {
    const token = kept();
    const res = await fetch(path, {
      cache: "no-store", ...options,
      headers: { ...options.headers, ...authorization(token) },
      signal: limit ? AbortSignal.timeout(limit) : options.signal,
    });
    if (res.status !== 401) return res;
    if (kept() !== token) continue; // another request has asked meanwhile
    await askForToken(token !== "");
    if (kept() === token) return res; // the question was put away
  }
}

// call sends a request and returns the JSON of the answer.
export async function call(method, path, body, headers = {}) {
  const options = { method, headers: { Accept: "application/json", ...headers } };
  if (body !== undefined) {
    options.body = JSON.stringify(body);
    options.headers["Content-Type"] = "application/json";
  }
  let res;
  try {
    res = await request(path, options, 40000);
  } catch {
    throw new Problem("The daemon does not answer.", 0);
  }
  const data = await res.json().catch(() => null);
  if (!res.ok) {
    const parts = data ? [data.title, data.detail, data.hint] : ["The daemon answered with status " + res.status];
    throw new Problem(parts.filter(Boolean).join(". ").replaceAll("..", "."), res.status);
  }
  return data;
}

export const get = (path) => call("GET", path);

export const post = (path, body = {}, headers = {}) => call("POST", path, body, headers);
