// Live events, with polling where they fail, and recovery by itself.

import { listen } from "./stream.js";

const pollWhileLive = 15000; // also sees what has no events, such as links of an idle bench
const pollWhileNot = 3000;
const retryStream = 3000;

// follow calls on.progress with each live picture of a run and on.trace with
// each live trace, refresh when everything should be asked for afresh, and
// onLink with "live", "polling" or "lost".
export function follow(on, refresh, onLink) {
  let timer = 0;
  let live = false;
  // A browser may keep a page that was left, and its stream would stay open: a
  // few of them use up all connections to the daemon.
  let here = new AbortController();
  addEventListener("pagehide", () => here.abort());
  addEventListener("pageshow", (e) => {
    if (!e.persisted) return;
    here = new AbortController();
    open();
  });

  async function ask() {
    clearTimeout(timer);
    let answered = true;
    try {
      await refresh();
    } catch (e) {
      answered = Boolean(e.status);
    }
    onLink(live ? "live" : answered ? "polling" : "lost");
    clearTimeout(timer);
    timer = setTimeout(ask, live ? pollWhileLive : pollWhileNot);
  }

  async function open() {
    const { signal } = here;
    const opened = () => {
      live = true;
      ask(); // whatever happened in between
    };
    await listen("/v1/events?traces=true", signal, opened, (name, data) => on[name]?.(JSON.parse(data))).catch(() => {});
    const was = live;
    live = false;
    if (!signal.aborted) setTimeout(open, retryStream);
    if (was) ask();
  }

  open();
  ask();
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden) ask();
  });
}
