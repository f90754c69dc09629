// The bearer token: asked for when the daemon wants one, kept in the memory of
// this tab alone (sessionStorage), and sent in a header, never in an address.

import { make } from "./dom.js";

const place = "lidded.token";
const printable = /^[\x21-\x7e]+$/; // what a header bears

// kept is the token of this tab, or "".
export const kept = () => sessionStorage.getItem(place) ?? "";

// authorization is the header that carries a token; none without one.
export const authorization = (token) => (token ? { Authorization: "Bearer " + token } : {});

let asking = null;

// askForToken asks the person for a token, once for all requests that wait. It
// resolves when one was given, or when the question was put away.
export function askForToken(refused) {
  asking ??= question(refused).finally(() => {
    asking = null;
    showChange();
  });
  return asking;
}

function question(refused) {
  const field = make("input", { type: "password", id: "token-field", autocomplete: "off", spellcheck: "false", required: true });
  const why = make("p", { id: "token-why", role: "alert" }, refused ? "The daemon does not take this token, or no longer." : "");
  const form = make("form", { method: "dialog" }, make("label", { for: "token-field" }, "Token"), field, make("button", { class: "yes", id: "token-yes" }, "Use this token"));
  const box = make("dialog", { id: "token", "aria-labelledby": "token-title" },
    make("h2", { id: "token-title" }, "This daemon wants a token"),
    make("p", {}, "Whoever looks after the bench makes one with \u201clidded token create\u201d. It is kept in this tab alone and forgotten with it."),
    why, form);
  form.addEventListener("submit", (e) => {
    const token = field.value.trim();
    if (!printable.test(token)) {
      e.preventDefault();
      why.textContent = "This is not a token: it has letters that no token has, or none at all.";
      return;
    }
    sessionStorage.setItem(place, token);
  });
  document.body.append(box);
  return new Promise((resolve) => {
    box.addEventListener("close", () => {
      box.remove();
      resolve();
    }, { once: true });
    box.showModal();
    field.focus();
  });
}

// showChange lets a person give another token, such as one of a higher role.
let change = null;
function showChange() {
  if (!change) {
    change = make("button", { type: "button", id: "token-change", onclick: () => askForToken(false) }, "Use another token");
    document.querySelector("footer")?.append(make("p", {}, change));
  }
  change.hidden = !kept();
}
if (kept()) showChange();

// A link cannot carry a header: what it leads to is fetched with the token and
// saved.
document.addEventListener("click", async (e) => {
  const link = e.target instanceof Element ? e.target.closest("a[href]") : null;
  if (!link || !kept() || link.origin !== location.origin || !/^\/(v1\/|metrics$|readyz$)/.test(link.pathname)) return;
  e.preventDefault();
  const { request } = await import("./api.js");
  const res = await request(link.pathname + link.search).catch(() => null);
  if (!res?.ok) return;
  const name = /filename="([^"]+)"/.exec(res.headers.get("Content-Disposition") ?? "")?.[1] ?? (link.pathname.slice(1).replaceAll("/", "-"));
  const at = URL.createObjectURL(await res.blob());
  make("a", { href: at, download: name }).click();
  setTimeout(() => URL.revokeObjectURL(at), 60000);
});
