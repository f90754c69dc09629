// Which view is shown stands in the address, behind the hash, so that a link
// leads to it and the browser's own buttons work: #result?run=…&point=3

import { byId } from "./dom.js";

export const views = ["now", "result", "trend", "bench", "start"];

let only = "";

// onlyBench is the bench that what is shown is narrowed to, "" for all. It stands in
// every address as the parameter "only", so that a link and a reload keep it.
export const onlyBench = () => only;

// route reads the address.
export function route() {
  const [name, query = ""] = location.hash.slice(1).split("?");
  return { view: views.includes(name) ? name : views[0], params: new URLSearchParams(query) };
}

// address is the hash of a view; parameters that are empty are left out.
export function address(view, params = {}) {
  const query = new URLSearchParams(Object.entries({ only, ...params }).filter(([, v]) => v !== "" && v !== null && v !== undefined));
  return "#" + view + (query.size ? "?" + query : "");
}

// go leads to a view.
export function go(view, params) {
  location.hash = address(view, params);
}

// note changes the parameters of the view that is shown without a step in the
// browser's history.
export function note(params) {
  history.replaceState(null, "", address(route().view, params));
}

// narrow shows one bench only, or with "" all, in the view that is shown.
export function narrow(bench) {
  const { params } = route();
  only = bench;
  params.delete("only");
  note(Object.fromEntries(params));
  dispatchEvent(new Event("hashchange"));
}

// watch calls show with each view that is asked for, the first one at once.
export function watch(show) {
  let last = "";
  const change = () => {
    const { view, params } = route();
    only = params.get("only") || "";
    for (const name of views) byId("view-" + name).hidden = name !== view;
    byId("views").querySelectorAll("a").forEach((a, i) => {
      a.setAttribute("href", address(views[i]));
      if (views[i] === view) a.setAttribute("aria-current", "page");
      else a.removeAttribute("aria-current");
    });
    // A screen reader is told of the new view; at the first one it reads the page anyway.
    if (last && last !== view) {
      byId(view + "-title").focus({ preventScroll: true });
      scrollTo(0, 0);
    }
    last = view;
    show(view, params);
  };
  addEventListener("hashchange", change);
  byId("skip").addEventListener("click", (e) => {
    e.preventDefault();
    byId("main").focus();
  });
  change();
}
