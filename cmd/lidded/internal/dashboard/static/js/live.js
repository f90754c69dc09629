// Live events, with polling where they fail, and recovery by itself.

import { listen } from "./stream.js";

const pollWhileLive = 15000; // also sees what has no events, such as links of an idle bench
const pollWhileNot = 3000;
const retryStream = 3000;

// follow calls onPicture with each live picture of a run, refresh when
// everything should be asked for afresh, and onLink with "live", "polling" or
// "lost".
export function follow(onPicture, refresh, onLink) {
  let timer = 0;
  let live = false;

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
    const opened = () => {
      live = true;
      ask(); // whatever happened in between
    };
    await listen("/v1/events", opened, (name, data) => {
      if (name === "progress") onPicture(JSON.parse(data));
    }).catch(() => {});
    const was = live;
    live = false;
    setTimeout(open, retryStream);
    if (was) ask();
  }

  open();
  ask();
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden) ask();
  });
}
