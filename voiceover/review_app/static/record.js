// The recorder page: the clip under his fingers while the microphone records.
import { get, post, upload } from "./api.js";
import { ClipClock } from "./clip_clock.js";
import { PRESSED, byId, clock, el, tell, tenths } from "./dom.js";
import { Drawing } from "./drawing.js";
import { iceTime, rememberIceTime, setUpIceTime } from "./ice_time.js";
import { Microphone } from "./mic.js";
import { Sender } from "./sender.js";
import { setUpLight } from "./theme.js";

const SPEEDS = [1, 0.5, 0.25];
const BACK_S = 3;
const clip = byId("clip");
const goOn = new URLSearchParams(location.search).get("go-on");
let remembered = {};
let clipId = null;
let mic = null;
let sender = null;
let clipClock = null;
let delay = 0;
let listening = null;
let samples = 0;

const isOn = () => sender !== null;

function onPiece(piece) {
  byId("level").value = Math.min(1, piece.level * 4);
  listening?.push(piece);
  if (piece.at < 0 || !sender) return;
  sender.sound(piece.at, piece.piece);
  samples = piece.at + piece.piece.length;
  byId("elapsed").textContent = clock(samples / mic.sampleRate);
}

const drawing = new Drawing(byId("drawn"), {
  onStart: () => clip.pause(),
  onDraw: (shape, points) => note({ kind: "draw", at_sample: mic.sampleAt(performance.now()), clip_s: clipClock.shown, shape, points }),
});

// What happens before the first sample and after the last one is no part of the recording.
function note(event) {
  if (sender && mic.startFrame !== null && !mic.hasEnded) sender.event(event);
}

function wipe() {
  if (drawing.wipe()) note({ kind: "wipe", at_sample: mic.sampleAt(performance.now()) });
}

function setClip(id) {
  clipId = id;
  if (id) clip.src = `/media/${id}`;
  byId("picture").hidden = !id;
}

async function openBooth() {
  byId("open").disabled = true;
  try {
    const file = byId("clip-file").files[0];
    if (!goOn) {
      if (file) {
        const bar = byId("sent");
        bar.hidden = false;
        setClip((await upload(file, (done, total) => { bar.max = total; bar.value = done; })).id);
        bar.hidden = true;
      } else setClip(byId("clip-known").value || null);
    }
    mic = new Microphone(onPiece);
    const state = goOn ? await get(`/api/recordings/${goOn}`) : null;
    await mic.open(state?.sample_rate);
    delay = remembered.delay_s ?? mic.toldDelay;
    showDelay();
    clipClock = new ClipClock(clip, { sampleAt: (at) => mic.sampleAt(at), onRow: note });
    clipClock.sampleRate = mic.sampleRate;
    byId("before").hidden = byId("open").hidden = true;
    byId("booth").hidden = false;
    byId("record").focus();
    tell(state ? `${clock(state.duration_s)} are there already; start to go on.` : "Ready. Press r, and talk.");
  } catch (error) {
    byId("open").disabled = false;
    tell(error.name === "NotAllowedError" ? "The browser may not use the microphone; allow it for this page." : error.message, true);
  }
}

async function start() {
  let state;
  if (goOn) state = await get(`/api/recordings/${goOn}`);
  else {
    await rememberIceTime({ delay_s: remembered.delay_s ?? null });
    state = await post("/api/recordings", { clip_id: clipId, sample_rate: mic.sampleRate, delay_s: delay, ...iceTime() });
  }
  sender = new Sender(state.id, { sampleRate: mic.sampleRate, samples: state.samples, events: state.events, onState: saved });
  mic.begin(state.samples);
  await new Promise((resolve) => { // the first piece fixes where the samples begin; events count from there
    const wait = () => (mic.startFrame === null ? setTimeout(wait, 10) : resolve());
    wait();
  });
  clipClock.begin();
  byId("mark").textContent = "recording";
  byId("mark").classList.add("on");
  byId("record").replaceChildren("Stop ", el("kbd", {}, "r"));
  byId("play").focus(); // Space presses the button in focus: never Stop without meaning it
  document.title = "● Recording · Voiceover";
}

// Where it fails, nothing is given up: what is left stays in the page, is tried on, and Stop may be pressed again.
async function stop() {
  if (byId("record").disabled) return;
  byId("record").disabled = true;
  byId("mark").textContent = "keeping the last words";
  clip.pause();
  try {
    await mic.end();
    byId("mark").classList.remove("on");
    await sender.finish();
    tell("Kept. It is being heard and read …");
    const made = await post(`/api/recordings/${sender.id}/finish`);
    sender = null;
    location.href = `/review/${made.id}`;
  } catch (error) {
    byId("record").disabled = false;
    byId("mark").textContent = "not finished";
    tell(`The end of it is not kept yet (${error.message}). Leave this page open, and press Stop again.`, true);
  }
}

function saved(waiting, error) {
  const seconds = waiting / mic.sampleRate;
  byId("saved").textContent = error ? `not kept yet: the last ${seconds.toFixed(0)} s (${error.message})` : seconds > 2 ? `behind by ${seconds.toFixed(0)} s` : "kept as you speak";
  byId("saved").classList.toggle("problem", Boolean(error));
}

function showDelay() {
  byId("delay").textContent = `${Math.round(delay * 1000)} ms`;
}

async function measure() {
  const measured = await mic.measureDelay(async () => {
    listening = [];
    await new Promise((resolve) => { setTimeout(resolve, 1600); });
    const pieces = listening;
    listening = null;
    return pieces;
  });
  if (measured === null) {
    tell("The click was not heard; turn the loudspeaker up, or leave the delay as it is.", true);
    return;
  }
  delay = remembered.delay_s = Math.round(measured * 1000) / 1000;
  await rememberIceTime({ delay_s: delay });
  showDelay();
  tell("Measured, and remembered for this machine.");
}

const actions = {
  play: () => { if (clip.paused) { wipe(); clip.play(); } else clip.pause(); },
  back: () => { wipe(); clip.currentTime = Math.max(0, clip.currentTime - BACK_S); },
  "step-back": () => { wipe(); clipClock.step(-1); },
  "step-on": () => { wipe(); clipClock.step(1); },
  slow: () => {
    clip.playbackRate = SPEEDS[(SPEEDS.indexOf(clip.playbackRate) + 1) % SPEEDS.length];
    byId("slow").replaceChildren(`Speed ${clip.playbackRate} `, el("kbd", {}, "l"));
  },
  record: () => (isOn() ? stop() : start()),
  wipe,
  measure,
};
const KEYS = { " ": "play", b: "back", ArrowLeft: "step-back", ArrowRight: "step-on", l: "slow", r: "record", w: "wipe" };
const run = (name) => Promise.resolve(actions[name]()).catch((error) => tell(error.message, true));

for (const name of Object.keys(actions)) byId(name).addEventListener("click", () => run(name));
for (const button of document.querySelectorAll("[data-shape]")) {
  button.addEventListener("click", () => {
    drawing.shape = button.dataset.shape;
    for (const other of document.querySelectorAll("[data-shape]")) other.setAttribute("aria-pressed", String(other === button));
  });
}
document.addEventListener("keydown", (event) => {
  if (byId("booth").hidden || event.ctrlKey || event.metaKey || event.altKey || !byId("single-keys").checked) return;
  if (event.target.closest("input[type=text], textarea, select")) return;
  const shape = document.querySelectorAll("[data-shape]")["1234".indexOf(event.key)];
  if (shape && "1234".includes(event.key)) {
    shape.click();
    return;
  }
  const name = KEYS[event.key];
  if (!name || (event.key === " " && event.target.closest(PRESSED))) return;
  event.preventDefault();
  if (!event.repeat || name.startsWith("step")) run(name);
});
// A button that was clicked does not take the focus along, so that Space goes on playing and pausing.
byId("booth").addEventListener("mousedown", (event) => { if (event.target.closest("button")) event.preventDefault(); });
clip.addEventListener("loadedmetadata", () => {
  byId("seek").max = String(clip.duration);
  byId("picture").style.setProperty("--ratio", String(clip.videoWidth / clip.videoHeight));
});
clip.addEventListener("timeupdate", () => {
  byId("where").textContent = `clip ${tenths(clip.currentTime)} of ${tenths(clip.duration || 0)} s`;
  if (document.activeElement !== byId("seek")) byId("seek").value = String(clip.currentTime);
});
byId("seek").addEventListener("input", () => { wipe(); clip.currentTime = Number(byId("seek").value); });
byId("open").addEventListener("click", openBooth);
addEventListener("beforeunload", (event) => { if (isOn()) event.preventDefault(); });
addEventListener("pagehide", () => {
  mic?.node?.port.postMessage("flush");
  if (sender?.pieces.length) sender.send().catch(() => {});
});

setUpLight(byId("light"));
(async () => {
  remembered = await setUpIceTime();
  const { clips } = await get("/api/clips");
  byId("clip-known").append(...clips.map((c) => el("option", { value: c.id }, `${c.name} (${clock(c.duration_s)})`)));
  if (goOn) {
    const state = await get(`/api/recordings/${goOn}`);
    setClip(state.clip_id);
    byId("before").hidden = true;
  }
})().catch((error) => tell(error.message, true));

// For tests and for those who look into the page's console: where the samples and the clip are now.
window.voiceover = { sampleNow: () => mic?.sampleAt(performance.now()), sampleRate: () => mic?.sampleRate, shown: () => clipClock?.shown };
