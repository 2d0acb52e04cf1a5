"use strict";
// Everything is put in as text, never as markup.
function make(tag, options = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(options)) {
    if (name === "class") element.className = value;
    else if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (value !== null && value !== undefined) element.setAttribute(name, value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

function picture(uploadId, name) { return `/api/photos/${uploadId}/${name}`; }

function cellsOf(photo) {
  return photo.answer.rows.map((row, index) =>
    make("ol", { class: "cells", "aria-label": `Row ${index + 1} as read` },
      ...row.map((cell) => make("li", {},
        make("img", { src: picture(photo.upload_id, cell.picture), alt: `picture of the place read as ${cell.character}` }),
        make("b", {}, cell.character), cell.certainty,
        ...cell.others.map(([other, chance]) => make("small", {}, `or ${other} ${chance}`))))));
}

function rivalsOf(answer) {
  if (!answer.candidates.length) return null;
  const open = answer.candidates.slice(0, 5);
  return make("table", {},
    make("caption", {}, "Who it may be"),
    make("tr", {}, make("th", { scope: "col" }, "Animal"), make("th", { scope: "col" }, "Mark"), make("th", { scope: "col" }, "Probability")),
    ...open.map((c) => make("tr", {}, make("td", {}, c.animal_id === null ? "not registered" : c.animal_id),
      make("td", {}, c.mark || "–"), make("td", {}, c.chance))));
}

function captureOf(flags, good = "Good photo.") {
  const bad = flags.filter((flag) => flag.bad);
  return bad.length
    ? make("p", { class: "notice bad" }, make("b", {}, "✗ Change the photo: "), bad.map((f) => `${f.sentence} ${f.remedy}`).join(" "))
    : make("p", { class: "notice" }, make("b", {}, `✓ ${good} `), flags.map((f) => f.sentence).join(" "));
}

// The photo itself is judged at once; the mark takes longer.
function waitingOf(photo) {
  const reading = make("p", { role: "status" }, photo.check ? "Reading the mark …" : "Looking at the photo …");
  if (!photo.check) return [reading];
  return [captureOf(photo.check.capture, "The photo looks good."), make("img", { class: "wide", src: picture(photo.upload_id, "photo.jpg"), alt: "the photo" }), reading];
}

function answerOf(photo, act) {
  const answer = photo.answer;
  if (answer.status === "error") return [make("p", { class: "notice bad" }, make("b", {}, "✗ Not usable. "), answer.reason)];
  const parts = [];
  parts.push(captureOf(answer.capture));
  if (answer.has_mark) {
    parts.push(...cellsOf(photo));
    parts.push(make("img", { class: "wide", src: picture(photo.upload_id, "mark.jpg"), alt: "the mark, turned upright" }));
  }
  parts.push(make("p", {}, make("b", {}, answer.advice)));
  parts.push(rivalsOf(answer));
  for (const c of answer.confusable.slice(0, 3)) {
    parts.push(make("p", {}, `Row ${c.row}, place ${c.place}: ${c.character} or ${c.alternative} (${c.chance})? Then it would be ${c.animals.join(", ")}.`));
  }
  if (photo.eyes) {
    parts.push(make("p", {}, `Read by eye${photo.eyes.blind ? ", before the answer was shown" : ", after the answer was shown"}: ${photo.eyes.text || "nothing"}`));
  } else {
    parts.push(eyesForm(photo, act, "What do your eyes read? (the answer was shown already)"));
  }
  parts.push(drawBox(photo, act));
  return parts;
}

function eyesForm(photo, act, question) {
  const id = `eyes-${photo.upload_id}`;
  const input = make("input", { id, autocomplete: "off", autocapitalize: "characters", spellcheck: "false", maxlength: "40" });
  return make("form", { onsubmit: (event) => { event.preventDefault(); act.eyes(photo.upload_id, input.value); } },
    make("label", { for: id }, question), input,
    make("button", {}, "Keep what I read"));
}

function drawBox(photo, act) {
  const box = make("details", {}, make("summary", {}, photo.answer.has_mark ? "The row is elsewhere: draw it" : "No mark found: draw the row"));
  box.addEventListener("toggle", () => { if (box.open && box.children.length === 1) fillDrawBox(box, photo, act); });
  return box;
}

function fillDrawBox(box, photo, act) {
  const svgName = "http://www.w3.org/2000/svg";
  const svg = document.createElementNS(svgName, "svg");
  const frame = make("div", { class: "draw", tabindex: "0", role: "application", "aria-label": "Draw the row: arrow keys and Enter" }, make("img", { src: picture(photo.upload_id, "photo.jpg"), alt: "the photo; draw along the row" }), svg);
  let start = null;
  const at = (event) => {
    const size = frame.getBoundingClientRect();
    return [(event.clientX - size.left) / size.width, (event.clientY - size.top) / size.height];
  };
  const show = (end) => {
    svg.replaceChildren();
    for (let i = 0; i < 2; i += 1) {
      const line = document.createElementNS(svgName, "line");
      const ends = { x1: start[0], y1: start[1], x2: end[0], y2: end[1] };
      for (const [name, value] of Object.entries(ends)) line.setAttribute(name, `${100 * value}%`);
      svg.append(line);
    }
  };
  frame.addEventListener("pointerdown", (event) => { start = at(event); frame.setPointerCapture(event.pointerId); });
  frame.addEventListener("pointermove", (event) => { if (start) show(at(event)); });
  frame.addEventListener("pointerup", (event) => { if (start) { const points = [start, at(event)]; start = null; act.draw(photo.upload_id, points); } });
  frame.addEventListener("pointercancel", () => { start = null; svg.replaceChildren(); });
  drawByKeys(frame, svg, show, (from) => { start = from; }, (points) => act.draw(photo.upload_id, points));
  box.append(make("p", {}, "Draw with a finger through the characters, from the first to the last. By keyboard: arrows move the cross, Enter sets the start and then the end."), frame);
}

function drawByKeys(frame, svg, show, begin, end) {
  const steps = { ArrowLeft: [-0.02, 0], ArrowRight: [0.02, 0], ArrowUp: [0, -0.02], ArrowDown: [0, 0.02] };
  let cross = [0.5, 0.5];
  let from = null;
  frame.addEventListener("keydown", (event) => {
    if (event.key === "Enter" && from) { const points = [from, cross]; from = null; begin(null); end(points); }
    else if (event.key === "Enter") { from = cross; begin(from); }
    else if (steps[event.key]) cross = cross.map((v, i) => Math.min(1, Math.max(0, v + steps[event.key][i])));
    else return;
    event.preventDefault();
    if (from) show(cross); else { begin([cross[0] - 0.02, cross[1]]); show([cross[0] + 0.02, cross[1]]); begin(null); }
  });
}
