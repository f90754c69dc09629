// The daemon's HTTP interface.

// Problem is an error that the daemon explained, or that kept it from answering.
export class Problem extends Error {
  constructor(message, status) {
    super(message);
    this.status = status; // 0: no answer
  }
}

// call sends a request and returns the JSON of the answer.
export async function call(method, path, body) {
  const options = { method, cache: "no-store", headers: { Accept: "application/json" }, signal: AbortSignal.timeout(40000) };
  if (body !== undefined) {
    options.body = JSON.stringify(body);
    options.headers["Content-Type"] = "application/json";
  }
  let res;
  try {
    res = await fetch(path, options);
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

export const post = (path, body = {}) => call("POST", path, body);
