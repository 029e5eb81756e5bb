// Bright office or dark rink: the system's choice until he chooses himself.
const KEY = "voiceover-light";

export function setUpLight(button) {
  const show = () => {
    const chosen = localStorage.getItem(KEY) ?? "";
    if (chosen) document.documentElement.dataset.light = chosen;
    else delete document.documentElement.dataset.light;
    button.textContent = { bright: "Light: bright", dark: "Light: dark" }[chosen] ?? "Light: as the system";
  };
  button.addEventListener("click", () => {
    const next = { "": "bright", bright: "dark", dark: "" }[localStorage.getItem(KEY) ?? ""];
    if (next) localStorage.setItem(KEY, next);
    else localStorage.removeItem(KEY);
    show();
  });
  show();
}
