// The review page: clip, talk and log joined.
import { get, post } from "./api.js";
import { Corrector, KEYS, ROW_KEYS } from "./corrections.js";
import { PRESSED, byId, clock, el, tell } from "./dom.js";
import { Player, strip, whereText } from "./player.js";
import { Playhead } from "./playhead.js";
import { Sheet } from "./sheet.js";
import { LogTable } from "./table.js";
import { setUpLight } from "./theme.js";

const id = location.pathname.split("/").at(-1);
const by = (localStorage.getItem("voiceover-reviewer") ?? "") || newReviewer();
const base = `/api/breakdowns/${id}`;
let view = null;
let version = -1;
let waiting = null; // a key whose second key is awaited
let job = null; // the last one for the worker
let sending = Promise.resolve();

function newReviewer() {
  const name = `coach-${crypto.getRandomValues(new Uint32Array(1))[0].toString(36)}`;
  localStorage.setItem("voiceover-reviewer", name);
  return name;
}

const sheet = new Sheet(byId("sheet"), { onChoose: chosen, onPlay: (s) => player?.playFrom(s) });
const table = new LogTable();
let player = null;
const corrector = new Corrector({ view: () => view, sheet, player: () => player });

function chosen(row) {
  const possession = view.possessions.find((p) => p.number === row.possession);
  byId("strip").replaceChildren(possession ? strip(possession, view.rows.filter((r) => r.possession === row.possession)) : "");
  if (player && player.talk.paused && !player.alone) player.seek(row.narration_s);
}

function show(next) {
  view = { ...view, ...next };
  sheet.show(view);
  table.show(view.rows);
  const left = view.rows.filter((r) => r.look);
  byId("queue").replaceChildren(left.length ? `${left.length} to look at ` : "Looked through ", el("kbd", {}, "q"));
  byId("undo").disabled = !view.can_undo;
  byId("redo").disabled = !view.can_redo;
  for (const [field, value] of [["message", view.message], ["next-step", view.next_step]]) {
    if (document.activeElement !== byId(field)) byId(field).value = value;
  }
  byId("totals").replaceChildren(...view.totals.map((t) => el("tr", {}, el("td", {}, { possessions: "Possessions", principles: "Principles", duration_s: "Seconds" }[t.what]),
    el("td", {}, `you said ${t.said}`), el("td", {}, t.agrees ? "✓ agrees" : t.why))));
  byId("lost").hidden = !view.unapplied.length;
  byId("lost-list").replaceChildren(...view.unapplied.map((u) => el("li", {}, `${u.kind}: ${u.why}`)));
  byId("notes").hidden = !view.warnings.length;
  byId("notes-list").replaceChildren(...view.warnings.map((w) => el("li", {}, w)));
  showFailure();
  if (view.is_rereading && byId("failed").hidden) tell("The words are being read again …");
}

// Rows count words and sentences of their reading. To change the words, or to take that back, brings up another one.
const take = (next) => (next.reading === view.reading ? show(next) : load());

// A reading that did not come about while an earlier one is shown: without a word it would be taken for the new one.
function showFailure() {
  const ofWords = job?.kind === "reread";
  byId("failed").hidden = job?.state !== "failed" || view?.state !== "ready" || (ofWords && !view.is_rereading);
  byId("failed-why").textContent = ofWords
    ? `The words that you corrected could not be read: ${job.error}. What stands here is from before; no report is made until they are read.`
    : `It could not be read again: ${job?.error ?? ""}. What stands here was read before.`;
}

async function readAgain(wordsOnly) {
  try {
    await post(`${base}/read-again?words_only=${wordsOnly}`);
    watch();
  } catch (error) {
    tell(error.message, true);
  }
}

async function correct(correction) {
  const whole = { id: crypto.randomUUID().replaceAll("-", ""), by, ...correction };
  const send = async () => {
    try {
      await take(await post(`${base}/corrections`, { corrections: [whole], by }));
      tell(`Kept: ${correction.kind}.`);
      if (["principle", "add"].includes(correction.kind)) offerWordings();
      if (["rename", "edit-words"].includes(correction.kind)) watch();
    } catch (error) {
      tell(`Not kept: ${error.message}`, true);
    }
  };
  sending = sending.then(send); // in the order in which they were made
  return sending;
}

async function offerWordings() {
  const { wordings } = await get(`${base}/taught`);
  byId("teach").hidden = !wordings.length;
  byId("teach-list").replaceChildren(...wordings.map((w) => el("li", {}, `“${w.wording}” for ${view.principles.find((p) => p.id === w.principle_id)?.name ?? w.principle_id} `,
    el("button", { type: "button", onclick: async () => { await post(`${base}/taught`, w); tell("Added to your lexicon; it is used from the next talk on."); offerWordings(); } }, "Add to my lexicon"))));
}

async function back(what) {
  await sending;
  await take(await post(`${base}/${what}`, { by }));
}

function nextToLookAt() {
  const queue = view.rows.filter((r) => r.look).toSorted((a, b) => a.confidence - b.confidence);
  if (!queue.length) {
    tell("Nothing is left to look at.");
    return;
  }
  const at = queue.findIndex((r) => r.key === sheet.chosen);
  sheet.choose(queue[(at + 1) % queue.length].key);
}

function isTyping(target) {
  return target.closest("dialog, textarea, select, input:not([type=range]):not([type=checkbox])") !== null;
}

async function onKey(event) {
  if (!view || event.ctrlKey || event.metaKey || event.altKey || isTyping(event.target)) return;
  const { key } = event;
  if (waiting) {
    const correction = waiting[key];
    waiting = null;
    tell("");
    if (correction) {
      event.preventDefault();
      await correct(correction);
      return;
    }
  }
  if (key === "ArrowDown" || key === "ArrowUp") {
    if (event.target.closest("input")) return;
    event.preventDefault();
    sheet.step(key === "ArrowDown" ? 1 : -1);
    return;
  }
  if (event.target.closest(PRESSED) && (key === "Enter" || key === " ")) return;
  const row = sheet.chosenRow();
  if (key === "Enter" && row) {
    event.preventDefault();
    player.playFrom(row.narration_s - 0.5);
    return;
  }
  if (!byId("single-keys").checked) return;
  const plain = { " ": () => player.toggleTalk(), v: () => player.toggleClip(), q: nextToLookAt, z: () => back("undo"), y: () => back("redo"), "?": () => byId("keys").showModal(), m: () => byId("message").focus(), t: () => byId("next-step").focus() };
  if (plain[key]) {
    event.preventDefault();
    await plain[key]();
    return;
  }
  if (!row || !ROW_KEYS.has(key)) return;
  event.preventDefault(); // before a dialog opens: the key itself must not be typed into it
  const made = await corrector.make(key, row);
  if (!made) return;
  if (made.wait) {
    waiting = made.wait;
    tell(made.say);
    return;
  }
  await correct(made);
}

async function load() {
  view = await get(`${base}?by=${encodeURIComponent(by)}`);
  byId("title").textContent = [view.title, view.ice_time.date, view.ice_time.team].filter(Boolean).join(" · ");
  document.title = `${view.title} · Voiceover`;
  const { without_consent: without } = view;
  byId("consent").hidden = !without.length;
  byId("consent").textContent = `No consent is noted for ${without.join(", ")}: settle it with the guardians before a report goes out, and note it in the library.`;
  if (view.state !== "ready") return;
  byId("desk").hidden = byId("all").hidden = false;
  const talk = byId("talk");
  if (!player) {
    const clip = byId("clip");
    if (view.narration) talk.src = `/media/${view.narration}`;
    if (view.clip) clip.src = `/media/${view.clip}`;
    else byId("picture").hidden = true;
    clip.addEventListener("loadedmetadata", () => byId("picture").style.setProperty("--ratio", String(clip.videoWidth / clip.videoHeight)));
    player = new Player({
      talk, clip, playhead: new Playhead(view.playhead), drawings: view.drawings,
      onTime: (now) => {
        sheet.now(now);
        byId("where").textContent = whereText(now, player?.playhead.at(now));
        if (document.activeElement !== byId("seek")) byId("seek").value = String(now);
      },
    });
    byId("seek").max = String(view.narration_duration_s ?? 1);
    byId("seek").setAttribute("aria-valuetext", clock(0));
    byId("seek").addEventListener("input", () => { player.seek(Number(byId("seek").value)); byId("seek").setAttribute("aria-valuetext", clock(Number(byId("seek").value))); });
  } else {
    player.playhead = new Playhead(view.playhead);
  }
  sheet.setTalk(view);
  show(view);
  offerWordings();
}

// Other tabs and other reviewers: look every second whether something is new.
async function watch() {
  clearTimeout(watch.timer);
  let pause = 1000;
  try {
    const state = await get(`${base}/state`);
    ({ job } = state);
    const busy = state.state === "waiting" || (job && ["queued", "running"].includes(job.state));
    byId("reading").hidden = !busy;
    if (busy) {
      byId("reading-step").textContent = `Hearing and reading: ${job?.step || "waiting for the worker"}`;
      const bar = byId("reading-bar");
      if (job?.total) {
        bar.max = job.total;
        bar.value = job.done;
      } else bar.removeAttribute("value");
      pause = 500;
    }
    if (state.state === "failed" && !busy) tell(`It could not be read: ${job?.error ?? ""}`, true);
    else if (state.version !== version && state.state === "ready") {
      version = state.version;
      await load();
    } else if (view && state.revision > view.revision && document.visibilityState === "visible") {
      await sending;
      if (state.revision > view.revision) await take(await get(`${base}/log?by=${encodeURIComponent(by)}`));
    }
    showFailure();
  } catch (error) {
    tell(error.status ? error.message : "The server does not answer; what was kept is safe. Trying again …", true);
    pause = 2000;
  }
  watch.timer = setTimeout(watch, pause);
}

for (const [field, kind] of [["message", "message"], ["next-step", "next-step"]]) {
  byId(field).addEventListener("change", (event) => correct({ kind, change: { text: event.target.value.trim() } }));
  byId(field).addEventListener("keydown", (event) => { if (event.key === "Escape") event.target.blur(); });
}
byId("play-talk").addEventListener("click", () => player.toggleTalk());
byId("play-clip").addEventListener("click", () => player.toggleClip());
byId("talk").addEventListener("play", () => { byId("play-talk").textContent = "Pause the talk"; });
byId("talk").addEventListener("pause", () => { byId("play-talk").textContent = "Play the talk"; });
byId("undo").addEventListener("click", () => back("undo"));
byId("redo").addEventListener("click", () => back("redo"));
byId("queue").addEventListener("click", nextToLookAt);
byId("help").addEventListener("click", () => byId("keys").showModal());
byId("report").addEventListener("click", () => {
  if (view?.is_rereading) tell("The words that you corrected are not read yet; the report waits for them.", true);
  else open(`/report/${id}`, "_blank", "noopener");
});
byId("again").addEventListener("click", () => {
  if (confirm("Hear and read the whole talk again, with the weights and the lexicon of today? Your corrections stay.")) readAgain(false);
});
byId("failed-again").addEventListener("click", () => readAgain(job?.kind === "reread"));
byId("key-list").replaceChildren(...KEYS.map(([key, text]) => el("li", {}, el("kbd", {}, key), ` ${text}`)));
byId("single-keys").checked = localStorage.getItem("voiceover-keys") !== "off";
byId("single-keys").addEventListener("change", (event) => localStorage.setItem("voiceover-keys", event.target.checked ? "on" : "off"));
document.addEventListener("keydown", (event) => onKey(event).catch((error) => tell(error.message, true)));
setUpLight(byId("light"));
watch();
