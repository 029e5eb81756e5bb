// Elements from plain values. Everything spoken or typed goes in as text, never as markup.
export function el(name, attributes = {}, ...children) {
  const node = name.startsWith("svg:")
    ? document.createElementNS("http://www.w3.org/2000/svg", name.slice(4))
    : document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (key === "class") node.setAttribute("class", value);
    else if (key.startsWith("on")) node.addEventListener(key.slice(2), value);
    else if (key in node && typeof value !== "string") node[key] = value;
    else node.setAttribute(key, value === true ? "" : value);
  }
  node.append(...children.flat().filter((c) => c !== null && c !== undefined).map((c) => (c instanceof Node ? c : String(c))));
  return node;
}

// What Space presses where it is in focus: never a key of our own there (WCAG 2.1.1).
export const PRESSED = "button, a, summary, input[type=checkbox]";

export const byId = (id) => document.getElementById(id);

export function clock(seconds) {
  if (seconds === null || seconds === undefined) return "";
  const whole = Math.floor(seconds);
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

export const tenths = (seconds) => (seconds === null || seconds === undefined ? "" : seconds.toFixed(1));

export function tell(text, isProblem = false) {
  const place = byId("told");
  place.textContent = text;
  place.classList.toggle("problem", isProblem);
}
