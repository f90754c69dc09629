// Small helpers to build the page. Text only ever goes in as text.

export const byId = (id) => document.getElementById(id);

// make builds an element: make("p", {class: "x"}, "text", child, …).
export function make(tag, attributes, ...children) {
  const e = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes || {})) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on")) e.addEventListener(name.slice(2), value);
    else e.setAttribute(name, value === true ? "" : value);
  }
  e.append(...children.filter((c) => c !== null && c !== undefined));
  return e;
}

// setText changes text only where it differs, so that a screen reader is not
// told the same thing again and again.
export function setText(e, text) {
  if (e.textContent !== text) e.textContent = text;
}

export function setData(e, name, value) {
  if (e.dataset[name] !== value) e.dataset[name] = value;
}

// askDelay is how long the answer that does something cannot be given.
const askDelay = 1200;

// ask shows a question that cannot be answered by accident: the answer that
// does nothing has the focus, the other comes alive a moment later. It resolves
// to whether the answer was yes.
export function ask(title, text, yes) {
  const box = byId("ask");
  const go = byId("ask-yes");
  if (box.dataset.asking) return Promise.resolve(false); // one question at a time
  box.dataset.asking = "true";
  setText(byId("ask-title"), title);
  setText(byId("ask-text"), text);
  setText(go, yes);
  go.disabled = true;
  const timer = setTimeout(() => {
    go.disabled = false;
  }, askDelay);
  box.returnValue = "no";
  return new Promise((resolve) => {
    box.addEventListener("close", () => {
      clearTimeout(timer);
      delete box.dataset.asking;
      resolve(box.returnValue === "yes");
    }, { once: true });
    box.showModal();
    byId("ask-no").focus();
  });
}

// say shows a message at the top; an empty one takes it away.
export function say(text) {
  const m = byId("message");
  setText(m, text);
  m.hidden = text === "";
}
