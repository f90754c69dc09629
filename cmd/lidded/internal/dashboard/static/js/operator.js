// Who gives orders from this browser, for the journal.

const place = "lidded.operator";

export const operator = () => localStorage.getItem(place) || "page";

export const named = () => localStorage.getItem(place) || "";

export function name(who) {
  if (who.trim()) localStorage.setItem(place, who.trim());
  else localStorage.removeItem(place);
}
