// The bench page's script. The server writes what there is to see; this puts it in its place, sends what a person
// says, makes sounds, and says so when nothing comes any more.

const body = document.body;
const find = (id) => document.getElementById(id);
const SILENCE_MS = 35000; // two beats of the daemon missed, and a little
const ASLEEP_MS = 8000; // a timer that comes so late was not kept running

/* ---- What is remembered from visit to visit ---- */

const kept = {
  get: (name, or) => {
    try { return localStorage.getItem(`halfpanel-${name}`) ?? or; } catch { return or; }
  },
  set: (name, value) => {
    try { localStorage.setItem(`halfpanel-${name}`, value); } catch { /* a private window keeps nothing */ }
  },
};

/* ---- Regions ---- */

const written = new Map();
const waiting = new Map();
let version = document.querySelector('input[name="version"]')?.value ?? "";

function isBusy(region) {
  const open = region.querySelector("details.ask[open]");
  return Boolean(open);
}

function write(id, html) {
  const region = find(id);
  if (!region || written.get(id) === html) return;
  if (isBusy(region)) {
    waiting.set(id, html);
    return;
  }
  waiting.delete(id);
  written.set(id, html);
  const focused = region.contains(document.activeElement) ? document.activeElement.id : "";
  const open = [...region.querySelectorAll("details[open][id]")].map((of) => of.id);
  region.innerHTML = html;
  for (const of of open) find(of)?.setAttribute("open", "");
  if (focused) (find(focused) ?? find("main"))?.focus({ preventScroll: true });
  if (id === "rail") showNow();
  if (id === "start" || id === "before") warnOfCure();
  if (id === "before") sayOnce();
}

function stampVersions() {
  for (const field of document.querySelectorAll('input[name="version"]')) field.value = version;
}

/** The rail is read from where it stands now. */
function showNow() {
  const box = document.querySelector(".rail-scroll");
  if (!box) return;
  const last = [...box.querySelectorAll("[data-placement], [data-check]")].pop();
  if (!last) return;
  const x = last.getBoundingClientRect().left - box.getBoundingClientRect().left + box.scrollLeft;
  box.scrollLeft = x - 0.7 * box.clientWidth;
}

/* ---- Time since the last check, and cures ---- */

let drawnAt = performance.now();

function tick() {
  const of = document.querySelector("[data-since-check-s]");
  if (!of) return;
  const since = Number(of.dataset.sinceCheckS) + (performance.now() - drawnAt) / 1000;
  const minutes = Math.floor(since / 60);
  const seconds = String(Math.floor(since % 60)).padStart(2, "0");
  of.querySelector(".clock").textContent = `${minutes}:${seconds}`;
}

function warnOfCure() {
  for (const of of document.querySelectorAll("[data-cured-at]")) {
    const left = Date.parse(of.dataset.curedAt) - Date.now();
    if (left > 0 && !of.classList.contains("too-early")) {
      of.classList.add("too-early");
      of.append(` – not cured yet, ${Math.ceil(left / 3600000)} h to go`);
    }
  }
}

/* ---- Sounds: short tones of our own ---- */

let audio = null;
let sounds = kept.get("sounds", "on") === "on";

const TONES = {
  // [Hz, start s, length s, loudness, wave]
  taken: [[784, 0, 0.07, 0.25, "triangle"]],
  "tile-wanted": [[523, 0, 0.11, 0.28, "triangle"], [784, 0.13, 0.2, 0.28, "triangle"]],
  odd: [[311, 0, 0.13, 0.3, "sawtooth"], [233, 0.15, 0.22, 0.3, "sawtooth"]],
  lost: [[466, 0, 0.2, 0.3, "square"], [349, 0.24, 0.2, 0.3, "square"], [233, 0.48, 0.4, 0.3, "square"]],
};
const LOUDEST = ["lost", "odd", "tile-wanted", "taken"];

let wasSilent = true;

function wakeAudio(event) {
  // A press on the switch itself comes here first.
  if (event) wasSilent = audio?.state !== "running";
  if (!sounds) return;
  try {
    audio ??= new AudioContext();
    if (audio.state === "suspended") audio.resume().then(showSwitches, () => {});
  } catch { audio = null; }
  showSwitches();
}

function play(name) {
  if (!sounds || !audio || audio.state !== "running") return;
  for (const [hz, from, length, loud, wave] of TONES[name] ?? []) {
    const start = audio.currentTime + from;
    const tone = new OscillatorNode(audio, { type: wave, frequency: hz });
    const gain = new GainNode(audio, { gain: 0 });
    gain.gain.setValueAtTime(0, start);
    gain.gain.linearRampToValueAtTime(loud, start + 0.012);
    gain.gain.exponentialRampToValueAtTime(0.001, start + length);
    tone.connect(gain).connect(audio.destination);
    tone.start(start);
    tone.stop(start + length + 0.02);
  }
}

/* ---- Keeping the screen awake ---- */

let awake = kept.get("awake", "on") === "on";
let lock = null;

async function keepAwake() {
  if (!("wakeLock" in navigator) || !awake || document.hidden || lock) return;
  try {
    lock = await navigator.wakeLock.request("screen");
    lock.addEventListener("release", () => { lock = null; showSwitches(); });
  } catch { lock = null; }
  showSwitches();
}

/* ---- Switches ---- */

let keys = kept.get("keys", "on") === "on";

function showSwitches() {
  const box = document.querySelector(".switches");
  if (!box) return;
  box.hidden = false;
  const sound = find("switch-sound");
  sound.setAttribute("aria-pressed", String(sounds));
  const silent = sounds && audio?.state !== "running";
  sound.textContent = !sounds ? "Sounds off" : silent ? "Sounds on (press here once)" : "Sounds on";
  const single = find("switch-keys");
  single.setAttribute("aria-pressed", String(keys));
  single.textContent = keys ? "Keys on" : "Keys off";
  const wake = find("switch-awake");
  wake.hidden = !("wakeLock" in navigator);
  wake.setAttribute("aria-pressed", String(awake));
  wake.textContent = awake ? "Screen stays on" : "Screen may sleep";
}

function switches() {
  const flip = (id, name, now, set) => find(id)?.addEventListener("click", () => {
    set(!now());
    kept.set(name, now() ? "on" : "off");
    showSwitches();
  });
  flip("switch-sound", "sounds", () => sounds, (on) => {
    // Where they are on and only not heard yet, this press is the one that was asked for.
    sounds = on || (sounds && wasSilent);
    if (sounds) wakeAudio();
  });
  flip("switch-keys", "keys", () => keys, (on) => { keys = on; });
  flip("switch-awake", "awake", () => awake, (on) => {
    awake = on;
    if (on) keepAwake(); else lock?.release();
  });
  showSwitches();
}

/* ---- What comes from the daemon ---- */

let source = null;
let heardAt = performance.now();
let beats = false; // the daemon has shown that it beats, so its silence says something
let lastTold = null;
let pictureFrom = new Date();
let retry = 0;

function contact(state) {
  if (body.dataset.contact === state) return;
  body.dataset.contact = state;
  const lost = find("contact-daemon");
  const asleep = find("contact-asleep");
  if (state === "lost") {
    lost.querySelector(".since").textContent = pictureFrom.toLocaleTimeString();
    play("lost");
  }
  // What did not reach the daemon was said of a page that has found back by now.
  if (state === "live") clearAnswer();
  lost.hidden = state !== "lost";
  asleep.hidden = state !== "asleep";
}

function hear(told) {
  const newest = told.at(-1)?.n;
  if (newest === undefined) return;
  const fresh = lastTold === null ? [] : told.filter((of) => of.n > lastTold);
  lastTold = newest;
  if (fresh.length === 0) return;
  find("live").textContent = fresh.slice(-4).map((of) => of.says).join(" ");
  const loudest = LOUDEST.find((name) => fresh.some((of) => of.sound === name));
  if (loudest) play(loudest);
}

function show(state) {
  if (String(state.version) !== version) clearAnswer();
  version = String(state.version);
  drawnAt = performance.now();
  pictureFrom = new Date();
  for (const [id, html] of Object.entries(state.regions)) write(id, html);
  stampVersions();
  hear(state.heard ?? []);
  tick();
  contact("live");
  if (find("now")?.firstElementChild) keepAwake();
}

function alive() {
  heardAt = performance.now();
  retry = 0;
}

function follow() {
  source?.close();
  source = new EventSource("events");
  source.addEventListener("state", (event) => { alive(); show(JSON.parse(event.data)); });
  source.addEventListener("alive", () => { alive(); beats = true; if (body.dataset.contact === "lost") contact("live"); });
  source.addEventListener("error", () => {
    contact("lost");
    // A browser gives up for good where the answer was no stream: look again, less and less often.
    if (source.readyState === EventSource.CLOSED) {
      setTimeout(follow, Math.min(10000, 500 * 2 ** retry));
      retry += 1;
    }
  });
}

let lastBeat = performance.now();

function watch() {
  const now = performance.now();
  const slept = now - lastBeat > ASLEEP_MS;
  lastBeat = now;
  tick();
  if (document.hidden) return;
  if (slept) return wakeUp();
  if (beats && now - heardAt > SILENCE_MS) {
    heardAt = now;
    contact("lost");
    follow();
  }
}

/** After a sleep nobody knows what was missed: the stream is opened anew, and gives the whole state first. */
function wakeUp() {
  lastBeat = performance.now();
  heardAt = lastBeat;
  contact("asleep");
  follow();
  keepAwake();
}

let hiddenAt = null;

function visibility() {
  if (document.hidden) {
    hiddenAt = performance.now();
  } else {
    if (hiddenAt !== null && performance.now() - hiddenAt > ASLEEP_MS) wakeUp();
    hiddenAt = null;
    keepAwake();
  }
}

/* ---- What a person says ---- */

function clearAnswer() {
  const answer = find("answer");
  if (answer && answer.dataset.keep !== "once") answer.hidden = true;
  if (answer) delete answer.dataset.keep;
}

function answer(text, isKept = true) {
  const place = find("answer");
  place.textContent = text;
  place.hidden = false;
  // The state that follows at once must not wipe it away.
  if (isKept) place.dataset.keep = "once";
  sayOnce();
  place.scrollIntoView({ block: "nearest" });
}

/** What stands on the page already is not said a second time. */
function sayOnce() {
  const said = document.querySelector("#before .broken p")?.textContent;
  const place = find("answer");
  if (said && place.textContent.startsWith(said)) place.hidden = true;
}

function wordsOf(text, status) {
  try {
    const said = JSON.parse(text);
    const parts = [said.title ?? "", said.detail ?? ""];
    const sentence = (of) => of[0].toUpperCase() + of.slice(1) + (/[.!?]$/.test(of) ? "" : ".");
    const words = parts.filter(Boolean).map(sentence).join(" ");
    if (words) return words;
  } catch { /* no JSON: words, or a page */ }
  if (text && !text.trimStart().startsWith("<")) return text.slice(0, 600);
  return status === 409
    ? "Something has changed since this was drawn: look again, then say it once more."
    : `The daemon answered with ${status}.`;
}

async function send(form, button) {
  const fields = new FormData(form, button ?? undefined);
  const reason = (fields.get("reason") ?? "").trim();
  if (fields.has("reason")) {
    fields.delete("reason");
    if (reason) fields.set("word", `${fields.get("word")}: ${reason}`);
  }
  fields.set("version", version);
  const to = button?.getAttribute("formaction") ?? form.getAttribute("action");
  try {
    const response = await fetch(to, {
      method: "POST",
      body: new URLSearchParams(fields),
      headers: { Accept: "application/json" },
      redirect: "manual",
    });
    if (response.type === "opaqueredirect" || response.ok) {
      // A button may belong to a form that stands elsewhere: the sheet is the one that the button is on.
      const sheet = (button ?? form).closest("details");
      if (sheet) sheet.open = false;
      find("answer").hidden = true;
    } else {
      answer(wordsOf(await response.text(), response.status));
    }
  } catch {
    contact("lost");
    answer("This did not reach the daemon, and nothing was done. Say it again once the page has found back.", false);
  }
}

function submits(event) {
  const form = event.target;
  if (form.method !== "post" || !body.hasAttribute("data-live")) return;
  event.preventDefault();
  send(form, event.submitter);
}

function pressed(event) {
  wakeAudio();
  const open = document.querySelector("details.ask[open]");
  if (event.key === "Escape" && open) {
    open.open = false;
    open.querySelector("summary").focus();
    return;
  }
  if (!keys || event.repeat || event.ctrlKey || event.altKey || event.metaKey) return;
  const at = event.target;
  if (at.closest("input, select, textarea, [contenteditable]")) return;
  const plain = at === body || at.id === "main";
  if ((event.key === "Enter" || event.key === " ") && !plain) return;
  const key = event.key === " " ? "enter" : event.key.toLowerCase();
  const of = [...document.querySelectorAll("#actions [data-key]")].find((button) => button.dataset.key === key);
  if (!of) return;
  event.preventDefault();
  if (of.tagName === "DETAILS") {
    closeOthers(of);
    of.open = true;
    of.querySelector("input:not([type=hidden]), select, button")?.focus();
  } else {
    of.click();
  }
}

function closeOthers(but) {
  for (const of of document.querySelectorAll("details.ask[open]")) if (of !== but) of.open = false;
}

function toggled(event) {
  const of = event.target;
  if (!of.matches?.("details.ask")) return;
  if (of.open) closeOthers(of);
  else for (const [id, html] of [...waiting]) { write(id, html); stampVersions(); }
}

/* ---- Beginning ---- */

warnOfCure();
showNow();
if (body.hasAttribute("data-live")) {
  switches();
  document.addEventListener("submit", submits);
  document.addEventListener("toggle", toggled, true);
  document.addEventListener("keydown", pressed);
  document.addEventListener("pointerdown", wakeAudio);
  document.addEventListener("visibilitychange", visibility);
  window.addEventListener("pageshow", (event) => { if (event.persisted) wakeUp(); });
  setInterval(watch, 1000);
  follow();
}
