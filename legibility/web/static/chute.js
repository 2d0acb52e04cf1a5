"use strict";
const csrf = document.querySelector("meta[name=csrf]").content;
const budget = 60 * Number(document.querySelector("meta[name=budget-min]").content);
const byId = (id) => document.getElementById(id);
const newId = () => [...crypto.getRandomValues(new Uint8Array(16))].map((b) => b.toString(16).padStart(2, "0")).join("");
let visitId = localStorage.getItem("visit") || "";
let began = Date.now();
let shown = "";
let sending = false;
let closed = null;
let seconds = 0;

async function ask(method, path, body, type = "application/json") {
  const answer = await fetch(path, {
    method, credentials: "same-origin",
    // A connection that is lost without a word must not hold up the next try for ever.
    signal: AbortSignal.timeout(body instanceof Blob ? 120000 : 15000),
    headers: { "X-CSRF-Token": csrf, ...(body === undefined ? {} : { "Content-Type": type }) },
    body: body === undefined || body instanceof Blob ? body : JSON.stringify(body),
  });
  if (answer.status === 401) { say("This device is not paired any more. Photos are kept here.", "/pair"); throw new Error("401"); }
  if (answer.status === 403) { say("This page is too old. Photos are kept here.", "/", "Load it again"); throw new Error("403"); }
  const said = await answer.json().catch(() => ({}));
  return { status: answer.status, ok: answer.ok, said, wait: Number(answer.headers.get("Retry-After") || 0) };
}

function say(text, link, name = "Pair again") {
  const line = byId("line");
  if (line.dataset.text === text) return;
  line.dataset.text = text || "";
  line.hidden = !text;
  line.replaceChildren(text || "", ...(link ? [" ", make("a", { href: link }, name)] : []));
}

// Lists are put in anew only when they changed: focus stays, and nothing is read out twice.
function put(id, value, draw) {
  const key = JSON.stringify(value);
  if (byId(id).dataset.key === key) return;
  byId(id).dataset.key = key;
  byId(id).replaceChildren(...draw(value));
}

const noConnection = () => say("No connection, or the laptop is busy. Photos are kept on this phone and sent as soon as it answers.");

async function startVisit(id) {
  visitId = id; began = Date.now(); shown = ""; closed = null;
  localStorage.setItem("visit", visitId);
  localStorage.setItem("began", String(began));
  for (const part of ["photos", "verdict", "scans"]) { byId(part).replaceChildren(); byId(part).dataset.key = ""; }
  byId("number").textContent = "new"; byId("label").value = "";
  await refresh().catch(noConnection);
}

async function nextAnimal() {
  const before = visitId;
  const any = byId("photos").children.length || byId("scans").children.length;
  const started = startVisit(newId());
  if (any) await ask("PUT", `/api/visits/${before}`, { closed: true }).catch(noConnection);
  await started;
}

async function takeIn(files) {
  const stage = document.querySelector("input[name=stage]:checked").value;
  const ear = document.querySelector("input[name=ear]:checked").value;
  for (const file of files) {
    const photo = { uploadId: newId(), visitId, began, stage, ear, file, at: Date.now() };
    // Without a place to keep it, it is held by the page, which then must stay open.
    await keep.put(photo).catch(() => { unkept.push(photo); });
  }
  await send();
}
const unkept = [];
const allKept = async () => [...await keep.all().catch(() => []), ...unkept].sort((a, b) => a.at - b.at);
async function drop(uploadId) {
  const at = unkept.findIndex((photo) => photo.uploadId === uploadId);
  if (at >= 0) unkept.splice(at, 1); else await keep.drop(uploadId);
}

async function send() {
  if (sending) return;
  sending = true;
  try {
    const waiting = await allKept();
    showKept(waiting);
    for (let i = 0; i < waiting.length; i += 1) {
      const photo = waiting[i];
      say(`${waiting.length - i} photo(s) kept on this phone, sending …`);
      await ask("PUT", `/api/visits/${photo.visitId}`, { seconds_ago: (Date.now() - photo.began) / 1000 });
      const query = new URLSearchParams({ stage: photo.stage, ear: photo.ear });
      const answer = await ask("PUT", `/api/visits/${photo.visitId}/photos/${photo.uploadId}?${query}`, photo.file, "application/octet-stream");
      if (answer.ok) { await drop(photo.uploadId); showKept(await allKept()); continue; }
      if ([400, 409, 413, 415].includes(answer.status) && !answer.said.again) {
        await drop(photo.uploadId); showKept(await allKept());
        byId("photos").prepend(make("p", { class: "notice bad", role: "alert" }, make("b", {}, "✗ Not taken: "), answer.said.error || "not a photo"));
        continue;
      }
      throw new Error(String(answer.status));
    }
    if (waiting.length) say("");
  } catch (error) {
    if (!["401", "403"].includes(error.message)) noConnection();
  } finally {
    sending = false;
  }
}

const act = {
  eyes: (uploadId, text) => change("PUT", `/photos/${uploadId}/eyes`, { text }),
  draw: (uploadId, points) => change("PUT", `/photos/${uploadId}/row/${newId()}`, { points }),
};

async function change(method, path, body) {
  const answer = await ask(method, `/api/visits/${visitId}${path}`, body).catch(() => null);
  if (!answer) { say("No connection: nothing was sent. Try again when the laptop answers."); return false; }
  say(answer.ok ? "" : answer.said.error);
  await refresh().catch(noConnection);
  return answer.ok;
}

const previews = new Map();
function showKept(photos) {
  const here = photos.filter((photo) => photo.visitId === visitId);
  put("kept", here.map((photo) => photo.uploadId), () => here.map((photo) => {
    if (!previews.has(photo.uploadId)) previews.set(photo.uploadId, URL.createObjectURL(photo.file));
    return make("li", {}, make("img", { class: "small-photo", src: previews.get(photo.uploadId), alt: "a photo taken with this phone" }), "Kept on this phone, not sent yet");
  }));
  for (const [id, url] of previews) if (!photos.some((photo) => photo.uploadId === id)) { URL.revokeObjectURL(url); previews.delete(id); }
}

function showPhoto(photo, number) {
  const name = document.querySelector(`input[name=stage][value=${photo.stage}] + span`).textContent;
  const body = photo.state === "waiting" ? waitingOf(photo)
    : photo.state === "held" ? [make("img", { class: "wide", src: picture(photo.upload_id, "photo.jpg"), alt: "the photo" }), eyesForm(photo, act, "First: what do your eyes read? The answer is shown after it. Leave it empty if nothing can be read.")]
    : answerOf(photo, act);
  return make("article", { class: "photo", id: `photo-${photo.upload_id}` }, make("h3", {}, `Photo ${number}: ${name}${photo.drawn_from ? ", row drawn" : ""}${photo.left_out ? ", left out" : ""}`), ...body);
}

// What is known of the newest photo, at the top: nobody scrolls with gloves on.
function newestLine(visit) {
  const settled = visit.session && visit.session.verdict === "settled";
  const newest = visit.photos[visit.photos.length - 1];
  if (!newest) return null;
  const flags = newest.state === "done" ? newest.answer.capture : (newest.check || {}).capture;
  if (newest.state === "done" && newest.answer.status === "error") return make("p", { class: "notice bad" }, make("b", {}, "✗ Not usable. "), newest.answer.reason);
  if (flags && !settled && flags.some((flag) => flag.bad)) return captureOf(flags);
  if (newest.state === "held") return make("p", { class: "notice" }, make("b", {}, "✓ Read. "), "Type below what your eyes read.");
  if (newest.state !== "waiting") return null;
  return make("p", { class: "notice" }, flags ? make("b", {}, "✓ The photo looks good. ") : "Looking at the photo …", flags ? "Reading the mark …" : null);
}

function showVerdict(visit) {
  const said = visit.session, line = newestLine(visit);
  if (!said) return byId("verdict").replaceChildren(...(line ? [line] : []));
  // Two ways to tell the animal that name different ones: then neither settles it.
  const against = said.question ? [] : visit.scans.flatMap((scan) => scan.disagreements);
  const sign = against.length ? "✗" : { settled: "✓", step: "→", stop: "■", ask: "✗" }[said.verdict];
  if (said.question) return byId("verdict").replaceChildren(...(line ? [line] : []), questionOf(said.question), ...said.notices.map((text) => make("p", {}, text)), make("p", { class: "small" }, said.defer));
  byId("verdict").replaceChildren(...(line ? [line] : []), make("div", { class: `verdict ${against.length ? "against" : said.verdict}` },
    make("p", {}, `${sign} ${against.length ? "Not settled: mark and transponder disagree." : said.reason}`),
    ...against.map((text) => make("p", { class: "plain" }, text)), make("p", { class: "plain" }, said.who), said.why && said.verdict !== "settled" ? make("p", { class: "plain" }, said.why) : null, ...said.notices.map((text) => make("p", { class: "plain" }, text))), make("p", { class: "small" }, said.defer));
}

// Two sides beside each other, the characters that differ framed, and one question.
function questionOf(said) {
  const side = (one) => make("div", { class: "side" }, make("b", {}, one.pieces.join(", ")),
    one.uploads.length ? make("img", { class: "wide", src: picture(one.uploads[0], "mark.jpg"), alt: `the mark in ${one.pieces[0]}` }) : null,
    ...one.rows.map((row) => make("p", { class: "marked" }, ...row.map(([character, differs]) => make(differs ? "mark" : "span", {}, character)))),
    make("p", { class: "plain" }, one.animal_id === null ? "no registered animal" : [one.animal_id, one.chance].filter(Boolean).join(", ")));
  return make("div", { class: "verdict ask", role: "group", "aria-label": said.question },
    make("p", {}, `✗ Not settled: ${said.question}`), make("div", { class: "sides" }, ...said.sides.map(side)), make("p", { class: "plain" }, said.sentence),
    ...said.answers.map((one) => make("button", { onclick: () => giveAnswer(one) }, one.words)));
}

async function giveAnswer(one) {
  if (!await change("POST", "/answer", { key: one.key, uploads: one.uploads, what: one.what })) return;
  if (one.key === "other_animal") say("Moved: it is in the list of animals below, as an animal of its own.");
}

async function refresh() {
  const [one, all] = await Promise.all([ask("GET", `/api/visits/${visitId}`), ask("GET", "/api/visits")]);
  if (all.ok) put("queue", all.said.visits.map((v) => [v.visit_id, v.number, v.label, v.uploads, v.transponders, Boolean(v.closed), v.visit_id === visitId]), (rows) => rows.map(queueLine));
  if (!one.ok || (one.said.visit_id !== visitId)) return;
  const visit = one.said;
  closed = visit.closed; seconds = visit.seconds;
  began = Date.now() - 1000 * visit.seconds;
  byId("number").textContent = visit.number;
  if (document.activeElement !== byId("label")) byId("label").value = visit.label;
  put("scans", visit.scans, (scans) => scans.map(scanLine));
  const now = JSON.stringify([visit.photos, visit.session, visit.scans]);
  if (now !== shown) {
    shown = now;
    showVerdict(visit);
    const old = new Map([...byId("photos").querySelectorAll("article")].map((a) => [a.id, a]));
    for (const [at, photo] of visit.photos.entries()) {
      const key = JSON.stringify(photo);
      const before = old.get(`photo-${photo.upload_id}`);
      if (before && before.dataset.key === key) continue;
      const made = showPhoto(photo, at + 1); made.dataset.key = key;
      if (before) before.replaceWith(made); else byId("photos").prepend(made);
    }
    for (const [id, article] of old) if (!visit.photos.some((photo) => `photo-${photo.upload_id}` === id)) article.remove();
  }
}

function queueLine([id, number, label, uploads, transponders, isClosed, isHere]) {
  const parts = [`${uploads} ${uploads === 1 ? "photo" : "photos"}`, ...transponders, isClosed ? "done" : "open"];
  return make("li", {}, make("span", {}, make("b", {}, `${number}${label ? ` ${label}` : ""}`), make("br"), parts.join(", ")),
    isHere ? make("b", {}, "shown now") : make("button", { onclick: () => startVisit(id), "aria-label": `Open animal ${number}` }, "Open"));
}

function scanLine(scan) {
  return make("div", { class: scan.disagreements.length ? "notice bad" : "notice" },
    make("b", {}, scan.number), ` ${scan.animals.length ? `is recorded for ${scan.animals.join(", ")}` : "is not in the record"}. `,
    ...scan.disagreements.map((text) => make("p", {}, make("b", {}, "✗ Disagreement: "), text)),
    ...scan.notices.map((text) => make("p", {}, text)));
}

byId("chip-form").addEventListener("submit", async (event) => {
  event.preventDefault();
  await ask("PUT", `/api/visits/${visitId}`, { seconds_ago: (Date.now() - began) / 1000 }).catch(() => {});
  if (await change("POST", "/transponder", { text: byId("chip").value })) byId("chip").value = "";
});
byId("label").addEventListener("change", async () => {
  await change("PUT", "", { label: byId("label").value, seconds_ago: (Date.now() - began) / 1000 });
});
byId("next").addEventListener("click", nextAnimal);
async function takeFrom(input) {
  const files = [...input.files];
  if (!files.length) return;
  input.value = "";
  await takeIn(files); await refresh().catch(() => {});
}
for (const id of ["camera", "files"]) byId(id).addEventListener("change", (event) => takeFrom(event.target));
setInterval(() => {
  const now = Math.floor(closed ? seconds : Math.max(0, (Date.now() - began) / 1000));
  const clock = (s) => `${Math.floor(s / 60)}:${String(Math.floor(s % 60)).padStart(2, "0")}`;
  byId("timer").textContent = `${clock(now)} of ${clock(budget)}${closed ? ", done" : now > budget ? ", over" : ""}`;
  byId("timer").classList.toggle("over", now > budget);
}, 500);
async function loop() {
  await send();
  await refresh().catch(() => {});
  setTimeout(loop, document.querySelector(".photo [role=status]") ? 300 : 1000);
}
began = Number(localStorage.getItem("began")) || Date.now();
// An animal of yesterday is not gone on with.
if (!visitId || Date.now() - began > 12 * 3600000) startVisit(newId());
// A photo may have been taken before this script was there.
for (const id of ["camera", "files"]) takeFrom(byId(id));
loop();
