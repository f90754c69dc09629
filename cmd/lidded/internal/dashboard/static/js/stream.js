// Server-sent events over fetch: unlike EventSource it can send the token in a
// header. The grammar is that of the HTML standard, section 9.2.6.

import { request } from "./api.js";

// listen calls onOpen once the stream stands, and onEvent with the name and the
// data of each event. It ends, with or without an error, when the stream does or
// the signal says so.
export async function listen(path, signal, onOpen, onEvent) {
  const res = await request(path, { headers: { Accept: "text/event-stream" }, signal });
  if (!res.ok || !res.headers.get("Content-Type")?.startsWith("text/event-stream")) {
    await res.body?.cancel();
    throw new Error("no stream");
  }
  onOpen();
  const reader = res.body.pipeThrough(new TextDecoderStream()).getReader();
  let text = "";
  let name = "";
  let data = [];
  for (;;) {
    const { value, done } = await reader.read();
    if (done) return;
    const lines = (text + value).split(/\r\n|\n|\r(?!$)/);
    text = lines.pop();
    for (const line of lines) {
      const [, field, rest] = /^([^:]*)(?:: ?(.*))?$/s.exec(line);
      if (line === "") {
        if (data.length) tell(onEvent, name || "message", data.join("\n"));
        name = "";
        data = [];
      } else if (field === "event") name = rest ?? "";
      else if (field === "data") data.push(rest ?? "");
    }
  }
}

// tell passes an event on; what goes wrong there does not end the stream.
function tell(onEvent, name, data) {
  try {
    onEvent(name, data);
  } catch (e) {
    reportError(e);
  }
}
