// The list of breakdowns, adding files made elsewhere, and who agreed to what.
import { get, post, put, remove, upload } from "./api.js";
import { byId, clock, el, tell } from "./dom.js";
import { iceTime, rememberIceTime, setUpIceTime } from "./ice_time.js";
import { setUpLight } from "./theme.js";

let breakdowns = [];

function showList() {
  const wanted = byId("find").value.trim().toLowerCase();
  const shown = breakdowns.filter((b) => `${b.title} ${b.players.join(" ")} ${b.team} ${b.date} ${b.occasion}`.toLowerCase().includes(wanted));
  byId("none").hidden = breakdowns.length > 0;
  byId("list").replaceChildren(...shown.slice(0, 500).map((b) => el("tr", {},
    el("td", {}, b.date), el("td", {}, el("a", { href: `/review/${b.id}` }, b.title || "untitled")), el("td", {}, b.players.join(", ")),
    el("td", {}, b.team), el("td", {}, b.occasion), el("td", { class: "number" }, b.rows || ""),
    el("td", {}, b.state === "ready" ? (b.to_look_at ? `${b.to_look_at} to look at` : "looked through") : b.state === "waiting" ? "being read" : "could not be read"))));
}

function showPlayers(players) {
  byId("players").replaceChildren(...players.map((p) => {
    const by = el("input", { value: p.consent, "aria-label": `Consent for ${p.name} given by`, autocomplete: "off" });
    const on = el("input", { type: "date", value: p.consent_date, "aria-label": `Consent for ${p.name} given on` });
    const keep = async () => {
      if (by.value && !on.value) on.value = new Date().toISOString().slice(0, 10);
      try {
        await put(`/api/players/${p.id}/consent`, { consent: by.value, date: on.value });
        tell(`Consent for ${p.name} is noted.`);
      } catch (error) {
        tell(error.message, true);
      }
    };
    by.addEventListener("change", keep);
    on.addEventListener("change", keep);
    return el("tr", {}, el("td", {}, p.name), el("td", {}, p.number), el("td", {}, p.team), el("td", {}, by), el("td", {}, on));
  }));
}

const told = (error) => tell(error.message, true);

async function finish(recording) {
  location.href = `/review/${(await post(`/api/recordings/${recording.id}/finish`)).id}`;
}

async function throwAway(recording) {
  if (!confirm("Throw this recording away?")) return;
  await remove(`/api/recordings/${recording.id}`);
  await showUnfinished();
}

async function showUnfinished() {
  const { recordings } = await get("/api/recordings");
  byId("unfinished").hidden = recordings.length === 0;
  byId("unfinished-list").replaceChildren(...recordings.map((r) => el("li", {},
    `${clock(r.duration_s)} of talk. `,
    el("a", { href: `/record?go-on=${r.id}` }, "Go on"), " ",
    el("button", { type: "button", onclick: () => finish(r).catch(told) }, "Finish"), " ",
    el("button", { type: "button", onclick: () => throwAway(r).catch(told) }, "Throw away"))));
}

async function load() {
  const library = await get("/api/library");
  breakdowns = library.breakdowns;
  showList();
  showPlayers(library.players);
  lookAgain();
}

// While something is being read the list alone is brought up to date, where it changed: a form that is drawn anew loses what is typed in it.
function lookAgain() {
  if (!breakdowns.some((b) => b.state === "waiting")) return;
  setTimeout(async () => {
    try {
      const now = (await get("/api/library")).breakdowns;
      if (JSON.stringify(now) !== JSON.stringify(breakdowns)) {
        breakdowns = now;
        showList();
      }
    } catch (error) {
      told(error);
    }
    lookAgain();
  }, 3000);
}

byId("find").addEventListener("input", showList);
byId("add").addEventListener("submit", async (event) => {
  event.preventDefault();
  const bar = byId("sent");
  const send = async (file) => {
    bar.hidden = false;
    return (await upload(file, (done, total) => { bar.max = total; bar.value = done; })).id;
  };
  try {
    tell("Taking the files in …");
    const narration = await send(byId("narration").files[0]);
    const clip = byId("clip").files[0] ? await send(byId("clip").files[0]) : null;
    await rememberIceTime();
    const playhead = clip ? byId("playhead").value : "none";
    const made = await post("/api/breakdowns", { narration_id: narration, clip_id: clip, playhead, ...iceTime() });
    location.href = `/review/${made.id}`;
  } catch (error) {
    tell(error.message, true);
  } finally {
    bar.hidden = true;
  }
});

setUpLight(byId("light"));
Promise.all([setUpIceTime(), load(), showUnfinished()]).catch(told);
