// Small questions in a dialog: type to find, or write a text. Escape leaves everything as it was.
import { byId, el } from "./dom.js";

function open(title, body, onSubmit) {
  const dialog = byId("ask");
  byId("ask-title").textContent = title;
  byId("ask-body").replaceChildren(...body);
  const form = dialog.querySelector("form");
  return new Promise((resolve) => {
    let answer = null;
    form.onsubmit = (event) => {
      event.preventDefault();
      answer = onSubmit();
      if (answer !== null) dialog.close();
    };
    dialog.onclose = () => resolve(answer);
    dialog.showModal();
  });
}

export async function choose(title, options) {
  // options: [{id, text, more}]. Words in any order; those that begin with what is typed come first.
  let shown = [];
  let at = 0;
  const list = el("ul", { role: "listbox", id: "choices", "aria-label": title });
  const input = el("input", {
    type: "text", role: "combobox", "aria-controls": "choices", "aria-expanded": "true", "aria-autocomplete": "list", autocomplete: "off",
    "aria-label": title,
  });
  const show = () => {
    list.replaceChildren(...shown.map((o, i) => el("li", { role: "option", id: `choice-${i}`, "aria-selected": String(i === at), onclick: () => { at = i; byId("ask").querySelector("form").requestSubmit(); } },
      o.text, o.more ? el("span", { class: "note" }, `  ${o.more}`) : null)));
    input.setAttribute("aria-activedescendant", shown.length ? `choice-${at}` : "");
    list.children[at]?.scrollIntoView({ block: "nearest" });
  };
  const filter = () => {
    const typed = input.value.trim().toLowerCase();
    const words = typed.split(/\s+/).filter(Boolean);
    const fits = options.filter((o) => words.every((w) => `${o.text} ${o.id} ${o.more ?? ""}`.toLowerCase().includes(w)));
    const rank = (o) => (o.text.toLowerCase().startsWith(typed) ? 0 : o.text.toLowerCase().split(/[\s-]+/).some((p) => p.startsWith(typed)) ? 1 : 2);
    shown = fits.toSorted((a, b) => rank(a) - rank(b)).slice(0, 60);
    at = 0;
    show();
  };
  input.addEventListener("input", filter);
  input.addEventListener("keydown", (event) => {
    const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (!step) return;
    event.preventDefault();
    at = Math.max(0, Math.min(shown.length - 1, at + step));
    show();
  });
  filter();
  return open(title, [input, list], () => shown[at]?.id ?? null);
}

export async function write(title, text, { long = false, more = "" } = {}) {
  const input = long ? el("textarea", { "aria-label": title }) : el("input", { type: "text", "aria-label": title, autocomplete: "off" });
  input.value = text;
  if (long) {
    input.addEventListener("keydown", (event) => {
      if (event.key === "Enter" && !event.shiftKey) {
        event.preventDefault();
        byId("ask").querySelector("form").requestSubmit();
      }
    });
  }
  const button = el("button", { class: "main" }, "Keep");
  return open(title, [input, more ? el("p", { class: "note" }, more) : "", el("p", {}, button)], () => input.value.trim() || null);
}
