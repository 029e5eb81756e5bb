// Occasion, situation, date and team: asked once, remembered.
import { get, put } from "./api.js";
import { byId, el } from "./dom.js";
import { readRoster, rosterOfCsv, rosterText } from "./roster.js";

let remembered = {};
let known = []; // the players as they were last given in full: a line of text has no room for nicknames

export async function setUpIceTime() {
  const answer = await get("/api/remembered");
  remembered = answer.remembered;
  for (const [id, values] of [["occasion", answer.occasions], ["situation", answer.situations]]) {
    byId(id).append(el("option", { value: "" }, "not said"), ...values.map((v) => el("option", { value: v }, v)));
    byId(id).value = remembered[id] ?? "";
  }
  byId("date").value = answer.today;
  byId("team").value = remembered.team ?? "";
  byId("age").value = remembered.age_group ?? "";
  known = remembered.roster ?? [];
  byId("roster").value = rosterText(known);
  byId("roster-file").addEventListener("change", async (event) => {
    const file = event.target.files[0];
    if (!file) return;
    known = rosterOfCsv(await file.text());
    byId("roster").value = rosterText(known);
  });
  return remembered;
}

export function iceTime() {
  return {
    ice_time: {
      date: byId("date").value, occasion: byId("occasion").value, situation: byId("situation").value, team: byId("team").value,
      age_group: byId("age").value,
    },
    roster: readRoster(byId("roster").value, known),
  };
}

export async function rememberIceTime(more = {}) {
  const { ice_time: said, roster } = iceTime();
  remembered = { ...said, roster, delay_s: remembered.delay_s ?? null, ...more };
  await put("/api/remembered", remembered);
}
