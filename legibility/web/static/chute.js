"use strict";
const csrf = document.querySelector("meta[name=csrf]").content;
const budget = 60 * Number(document.querySelector("meta[name=budget-min]").content);
const byId = (id) => document.getElementById(id);
const newId = () => [...crypto.getRandomValues(new Uint8Array(16))].map((b) => b.toString(16).padStart(2, "0")).join("");
let visitId = localStorage.getItem("visit") || "";
let began = Date.now();
let shown = "";
let sending = false;

async function ask(method, path, body, type = "application/json") {
  const answer = await fetch(path, {
    method, credentials: "same-origin",
    headers: { "X-CSRF-Token": csrf, ...(body === undefined ? {} : { "Content-Type": type }) },
    body: body === undefined || body instanceof Blob ? body : JSON.stringify(body),
  });
  if (answer.status === 401) { say("This device is not paired any more. Photos are kept here.", "/pair"); throw new Error("401"); }
  const said = await answer.json().catch(() => ({}));
  return { status: answer.status, ok: answer.ok, said, wait: Number(answer.headers.get("Retry-After") || 0) };
}

function say(text, link) {
  const line = byId("line");
  line.hidden = !text;
  line.replaceChildren(text || "", ...(link ? [" ", make("a", { href: link }, "Pair again")] : []));
}

async function startVisit(id) {
  visitId = id; began = Date.now(); shown = "";
  localStorage.setItem("visit", visitId);
  localStorage.setItem("began", String(began));
  byId("photos").replaceChildren(); byId("verdict").replaceChildren(); byId("scans").replaceChildren();
  byId("number").textContent = "–";
  await refresh();
}

async function takeIn(files) {
  const stage = document.querySelector("input[name=stage]:checked").value;
  const ear = document.querySelector("input[name=ear]:checked").value;
  for (const file of files) await keep.put({ uploadId: newId(), visitId, began, stage, ear, file, at: Date.now() });
  await send();
}

async function send() {
  if (sending) return;
  sending = true;
  try {
    const waiting = (await keep.all()).sort((a, b) => a.at - b.at);
    for (let i = 0; i < waiting.length; i += 1) {
      const photo = waiting[i];
      say(`${waiting.length - i} photo(s) kept on this phone, sending …`);
      await ask("PUT", `/api/visits/${photo.visitId}`, { seconds_ago: (Date.now() - photo.began) / 1000 });
      const query = new URLSearchParams({ stage: photo.stage, ear: photo.ear });
      const answer = await ask("PUT", `/api/visits/${photo.visitId}/photos/${photo.uploadId}?${query}`, photo.file, "application/octet-stream");
      if (answer.ok) { await keep.drop(photo.uploadId); continue; }
      if ([400, 409, 413, 415].includes(answer.status)) {
        await keep.drop(photo.uploadId);
        byId("photos").append(make("p", { class: "notice bad", role: "alert" }, make("b", {}, "✗ Not taken: "), answer.said.error || "not a photo"));
        continue;
      }
      throw new Error(String(answer.status));
    }
    if (waiting.length) say("");
  } catch (error) {
    if (error.message !== "401") say("No connection, or the laptop is busy. Photos are kept on this phone and sent as soon as it answers.");
  } finally {
    sending = false;
  }
}

const act = {
  eyes: async (uploadId, text) => { await ask("PUT", `/api/visits/${visitId}/photos/${uploadId}/eyes`, { text }); await refresh(); },
  draw: async (uploadId, points) => {
    const answer = await ask("PUT", `/api/visits/${visitId}/photos/${uploadId}/row/${newId()}`, { points });
    say(answer.ok ? "" : answer.said.error); await refresh();
  },
};

function showPhoto(photo) {
  const name = document.querySelector(`input[name=stage][value=${photo.stage}] + span`).textContent;
  const body = photo.state === "waiting" ? [make("p", { role: "status" }, "Reading …")]
    : photo.state === "held" ? [make("img", { class: "wide", src: picture(photo.upload_id, "photo.jpg"), alt: "the photo" }), eyesForm(photo, act, "First: what do your eyes read? The answer is shown after it. Leave it empty if nothing can be read.")]
    : answerOf(photo, act);
  return make("article", { class: "photo", id: `photo-${photo.upload_id}` }, make("h3", {}, `${name}${photo.drawn_from ? ", row drawn" : ""}`), ...body);
}

function showVerdict(visit) {
  const said = visit.session;
  if (!said) return byId("verdict").replaceChildren();
  const sign = { settled: "✓", step: "→", stop: "■" }[said.verdict];
  byId("verdict").replaceChildren(make("p", { class: `verdict ${said.verdict}` }, `${sign} ${said.reason}`,
    make("small", {}, said.who)));
}

async function refresh() {
  const [one, all] = await Promise.all([ask("GET", `/api/visits/${visitId}`), ask("GET", "/api/visits")]);
  byId("queue").replaceChildren(...all.said.visits.map((v) => make("li", {}, `Animal ${v.number}: ${v.uploads} photo(s)${v.scans.length ? `, transponder ${v.scans[0].number}` : ""}`,
    v.visit_id === visitId ? make("b", {}, "now") : make("button", { onclick: () => startVisit(v.visit_id) }, "Open"))));
  if (!one.ok) return;
  const visit = one.said;
  began = Date.now() - 1000 * visit.seconds;
  byId("number").textContent = visit.number;
  showScans(visit.scans);
  const now = JSON.stringify([visit.photos, visit.session]);
  if (now !== shown) {
    shown = now;
    showVerdict(visit);
    const old = new Map([...byId("photos").querySelectorAll("article")].map((a) => [a.id, a]));
    for (const photo of visit.photos) {
      const key = JSON.stringify(photo);
      const before = old.get(`photo-${photo.upload_id}`);
      if (before && before.dataset.key === key) continue;
      const made = showPhoto(photo); made.dataset.key = key;
      if (before) before.replaceWith(made); else byId("photos").prepend(made);
    }
  }
}

function showScans(scans) {
  byId("scans").replaceChildren(...scans.map((scan) => make("div", { class: scan.disagreements.length ? "notice bad" : "notice" },
    make("b", {}, scan.number), ` ${scan.animals.length ? `is ${scan.animals.join(", ")}` : "is not in the record"}. `,
    ...scan.disagreements.map((text) => make("p", {}, make("b", {}, "✗ Disagreement: "), text)),
    ...scan.notices.map((text) => make("p", {}, text)))));
}

byId("chip-form").addEventListener("submit", async (event) => {
  event.preventDefault();
  await ask("PUT", `/api/visits/${visitId}`, {}).catch(() => {});
  const answer = await ask("POST", `/api/visits/${visitId}/transponder`, { text: byId("chip").value }).catch(() => null);
  if (!answer) return say("No connection: enter the transponder again when the laptop answers.");
  if (answer.ok) { byId("chip").value = ""; say(""); await refresh(); } else say(answer.said.error);
});
byId("next").addEventListener("click", () => startVisit(newId()));
for (const id of ["camera", "files"]) byId(id).addEventListener("change", async (event) => {
  await takeIn([...event.target.files]); event.target.value = ""; await refresh().catch(() => {});
});
setInterval(() => {
  const seconds = Math.max(0, Math.floor((Date.now() - began) / 1000));
  const clock = (s) => `${Math.floor(s / 60)}:${String(Math.floor(s % 60)).padStart(2, "0")}`;
  byId("timer").textContent = `${clock(seconds)} of ${clock(budget)}${seconds > budget ? " – time is used up" : ""}`;
  byId("timer").classList.toggle("over", seconds > budget);
}, 500);
async function loop() {
  await send();
  await refresh().catch(() => {});
  setTimeout(loop, document.querySelector(".photo [role=status]") ? 300 : 2000);
}
began = Number(localStorage.getItem("began")) || Date.now();
if (!visitId) startVisit(newId()).catch(() => {});
loop();
