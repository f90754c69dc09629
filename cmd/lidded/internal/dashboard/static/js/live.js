// Live events, with polling where they fail, and recovery by itself.

const pollWhileLive = 15000; // also sees what has no events, such as links of an idle bench
const pollWhileNot = 3000;
const retryStream = 3000;

// follow calls onPicture with each live picture of a run, refresh when
// everything should be asked for afresh, and onLink with "live", "polling" or
// "lost".
export function follow(onPicture, refresh, onLink) {
  let stream = null;
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

  function open() {
    stream = new EventSource("/v1/events");
    stream.addEventListener("open", () => {
      live = true;
      ask(); // whatever happened in between
    });
    stream.addEventListener("progress", (e) => onPicture(JSON.parse(e.data)));
    stream.addEventListener("error", () => {
      const was = live;
      live = false;
      // A browser gives up for good on an answer that is no stream.
      if (stream.readyState === EventSource.CLOSED) setTimeout(open, retryStream);
      if (was) ask();
    });
  }

  open();
  ask();
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden) ask();
  });
}
