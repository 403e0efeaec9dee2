// The light table: what the hand does, and what becomes of it.

import { get, post, postRaw, sheetBitmaps, takenBitmap, listen, Refusal } from "./server.js";
import { apply, inverse, pathOf } from "./geometry.js";
import { Glass } from "./glass.js";

const $ = (s) => document.querySelector(s), $$ = (s) => [...document.querySelectorAll(s)];
const LISTS = ["flats", "touches", "pours", "locked", "colourway"];

const state = {
  fields: {}, pictures: [], id: null, settings: { values: {} }, revision: "", history: [], at: -1,
  tool: "", swatch: null, pour: null, saved: true, drawing: null,
};

// ---- words for people

function say(text) { $("#say").textContent = text; }
let slipTimer;
function slip(text, bad) {
  const s = $("#slip");
  s.textContent = text; s.hidden = false; s.classList.toggle("bad", !!bad);
  clearTimeout(slipTimer);
  slipTimer = setTimeout(() => { s.hidden = true; }, bad ? 9000 : 4000);
}
const grumble = (e) => { if (e.name !== "AbortError") slip(e.message, true); };

// ask puts a question and returns the answer chosen, "" for none.
function ask(text, answers) {
  const d = $("#ask");
  $("#ask-text").textContent = text;
  $("#ask-answers").replaceChildren(...answers.map(([value, label]) => Object.assign(document.createElement("button"), { value, textContent: label })));
  d.returnValue = "";
  d.showModal();
  return new Promise((r) => d.addEventListener("close", () => r(d.returnValue), { once: true }));
}

// ---- the glass

const glass = new Glass($("#glass"), {
  press: (p) => press(p),
  painted: placeNote,
  loupe: () => film("loupe"),
});

function placeNote() {
  const n = $("#note"), d = glass.drawing;
  $("#zoom-figure").textContent = glass.scale * glass.ratio >= 10 ? `${Math.round(glass.scale * glass.ratio)}×` : `${+(glass.scale * glass.ratio).toPrecision(2)}×`;
  placeHandles();
  const rule = $("#rule");
  rule.style.left = `${glass.look.wipe * glass.w}px`;
  rule.style.visibility = glass.look.wipe > 0 && d && !glass.look.taken ? "visible" : "hidden";
  if (!d) return;
  // The note stands in the margin of the sheet; where that is out of sight it becomes a slip on the glass.
  const [w, h] = glass.size;
  n.classList.toggle("beside", !!glass.beside);
  const x = glass.beside ? glass.x + w * glass.scale + 14 : glass.x - 8, y = glass.beside ? glass.y - 8 : glass.y + h * glass.scale + 6;
  const right = glass.w - n.offsetWidth - 8, most = glass.h - n.offsetHeight - 40;
  n.classList.toggle("slip", y > most + 8 || y < 44 || x < 4 || x > right + 4);
  n.style.transform = `translate(${Math.round(Math.min(Math.max(10, x), Math.max(10, right)))}px, ${Math.round(Math.min(Math.max(56, y), Math.max(56, most)))}px)`;
}

function film(name) {
  glass.look[name] = !glass.look[name];
  $(`#film-${name}`).setAttribute("aria-pressed", glass.look[name]);
  glass.draw();
}
for (const f of ["points", "difference", "loupe"]) $(`#film-${f}`).addEventListener("click", () => film(f));
$("#film-taken").addEventListener("click", () => showTaken(!glass.look.taken).catch(grumble));

$("#wipe").addEventListener("input", (e) => { glass.look.wipe = e.target.value / 100; e.target.setAttribute("aria-valuetext", `${e.target.value} per cent original`); glass.draw(); });
$("#lamp").addEventListener("input", (e) => { glass.look.lamp = e.target.value / 100; document.documentElement.style.setProperty("--lit", 0.12 + 0.88 * glass.look.lamp); glass.draw(); });
$("#zoom-in").addEventListener("click", () => glass.zoom(1.6));
$("#zoom-out").addEventListener("click", () => glass.zoom(1 / 1.6));
$("#zoom-fit").addEventListener("click", () => glass.fit());
$("#zoom-true").addEventListener("click", () => glass.trueSize());
$("#go-worst").addEventListener("click", () => state.drawing && glass.goTo(state.drawing.worstAt, 16 / glass.ratio));

// ---- the corners of the sheet

async function showTaken(on) {
  if (on && !glass.taken) {
    glass.taken = await takenBitmap(state.id);
  }
  if (on) {
    // The size of the picture in its own px: what the corners are counted in.
    glass.takenSize = state.drawing.picture;
    glass.corners = cornersNow();
  }
  glass.look.taken = on;
  $("#film-taken").setAttribute("aria-pressed", on);
  glass.fit();
}

function cornersNow() {
  const s = state.settings.values.sheet || "auto";
  if (s !== "auto" && s !== "off") {
    const v = s.split(",").map(Number);
    return [0, 2, 4, 6].map((i) => [v[i], v[i + 1]]);
  }
  const d = state.drawing;
  if (d.straightened) {
    const back = inverse(d.homography);
    return [[0, 0], [d.width, 0], [d.width, d.height], [0, d.height]].map((p) => apply(back, p));
  }
  const [w, h] = d.picture;
  return [[0.05, 0.05], [0.95, 0.05], [0.95, 0.95], [0.05, 0.95]].map(([x, y]) => [x * w, y * h]);
}

const cornerNames = ["upper left", "upper right", "lower right", "lower left"];
cornerNames.forEach((name, i) => {
  const b = document.createElement("button");
  b.type = "button";
  b.setAttribute("aria-label", `Corner of the sheet, ${name}; arrows move it`);
  const move = (p) => { glass.corners[i] = p; glass.draw(); };
  let grip = null;
  b.addEventListener("pointerdown", (e) => { b.setPointerCapture(e.pointerId); grip = [e.clientX, e.clientY, ...glass.corners[i]]; e.preventDefault(); b.focus(); });
  b.addEventListener("pointermove", (e) => { if (grip) move([grip[2] + (e.clientX - grip[0]) / glass.scale, grip[3] + (e.clientY - grip[1]) / glass.scale]); });
  b.addEventListener("pointerup", () => { if (grip) { grip = null; useCorners(); } });
  b.addEventListener("keydown", (e) => {
    const n = e.shiftKey ? 20 : 2, d = { ArrowLeft: [-n, 0], ArrowRight: [n, 0], ArrowUp: [0, -n], ArrowDown: [0, n] }[e.key];
    if (d) { const c = glass.corners[i]; move([c[0] + d[0], c[1] + d[1]]); e.preventDefault(); }
  });
  b.addEventListener("keyup", (e) => { if (e.key.startsWith("Arrow")) useCorners(); });
  $("#handles").append(b);
});

function useCorners() { change((s) => { s.values.sheet = glass.corners.flat().map((v) => v.toFixed(1)).join(","); }, true); }

function placeHandles() {
  const on = glass.look.taken && glass.corners;
  $("#handles").hidden = !on;
  if (!on) return;
  [...$("#handles").children].forEach((b, i) => {
    const [x, y] = glass.corners[i];
    b.style.left = `${x * glass.scale + glass.x}px`; b.style.top = `${y * glass.scale + glass.y}px`;
  });
  const c = glass.canvas.getContext("2d"), d = glass.ratio;
  c.save(); c.scale(d, d); c.strokeStyle = "#8a5510"; c.lineWidth = 2; c.beginPath();
  glass.corners.forEach(([x, y], i) => c[i ? "lineTo" : "moveTo"](x * glass.scale + glass.x, y * glass.scale + glass.y));
  c.closePath(); c.stroke(); c.restore();
}

// ---- settings, undone and redone

const clone = (s) => JSON.parse(JSON.stringify(s));
const list = (s, key) => s[key] || [];

// change alters the settings. Passing changes, as while a slider moves, are drawn and kept but are no step to undo.
function change(f, step, draw = true) {
  if (!state.id) return;
  const s = clone(state.settings);
  f(s);
  state.settings = s;
  if (step) remember();
  state.saved = false;
  showSettings();
  keep(draw);
}

function remember() {
  if (state.at >= 0 && JSON.stringify(state.history[state.at]) === JSON.stringify(state.settings)) return;
  state.history = state.history.slice(0, state.at + 1).concat(clone(state.settings)).slice(-200);
  state.at = state.history.length - 1;
  stash();
}

// The steps survive a reload of the page.
function stash() {
  try { sessionStorage.setItem(`steps ${state.id}`, JSON.stringify({ history: state.history, at: state.at })); } catch { /* no room: the steps are lost at a reload */ }
  $("#undo").disabled = state.at <= 0; $("#redo").disabled = state.at >= state.history.length - 1;
}

function step(n) {
  if (!state.history[state.at + n]) return;
  state.at += n;
  state.settings = clone(state.history[state.at]);
  state.saved = false;
  stash(); showSettings(); keep(true);
  say(n < 0 ? "undone" : "redone");
}
$("#undo").addEventListener("click", () => step(-1));
$("#redo").addEventListener("click", () => step(1));

// ---- keeping and drawing: one request at a time; what changed meanwhile follows.

let dirty = false, wantDraw = false, working = false, abort = null;

function keep(draw) {
  dirty = true; wantDraw ||= draw;
  abort?.abort();
  if (!working) work();
}

async function work() {
  working = true;
  const id = state.id, mine = opening;
  try {
    while ((dirty || wantDraw) && state.id === id) {
      if (dirty) {
        dirty = false;
        const r = await post(`api/pictures/${id}/trace`, { settings: state.settings, revision: state.revision, force: false, draw: false, over: false });
        if (state.id !== id) return;
        state.revision = r.revision; setState(r.state);
        continue;
      }
      wantDraw = false;
      abort = new AbortController();
      $("#busy").classList.add("on");
      const smoothness = number("smoothness");
      try {
        const r = await post(`api/pictures/${id}/trace`, { settings: state.settings, revision: state.revision, force: false, draw: true, over: false }, abort.signal);
        if (state.id !== id) return;
        state.revision = r.revision;
        r.drawing.smoothness = smoothness;
        await laid(r.drawing); setState(r.state);
      } catch (e) {
        if (e.name === "AbortError" || e.body?.stale) { wantDraw = state.id === id && opening === mine; continue; }
        throw e;
      }
    }
  } catch (e) {
    if (e instanceof Refusal && e.body.changed && state.id === id) await settle(e.body);
    else { grumble(e); if (e.body?.revision) state.revision = e.body.revision; if (state.id === id && e.status === 422) setState("failed", e.message); }
  } finally {
    working = false;
    $("#busy").classList.remove("on");
    if ((dirty || wantDraw) && state.id && !$("#ask").open) work();
  }
}

// settle asks what counts when somebody else changed the settings.
async function settle(theirs) {
  dirty = wantDraw = false;
  const a = await ask("These settings were changed in another window or program meanwhile.", [["theirs", "Take those"], ["mine", "Keep mine"]]);
  state.revision = theirs.revision;
  if (a === "mine") { keep(true); return; }
  state.settings = theirs.settings; remember(); showSettings(); wantDraw = true;
}

async function laid(d) {
  const sheetNew = !glass.sheet || glass.sheet.w !== d.width || glass.sheet.h !== d.height || (d.stages || []).includes("sheet") || glass.sheetOf !== state.id;
  if (sheetNew) { glass.sheet = await sheetBitmaps(state.id); glass.sheetOf = state.id; }
  state.drawing = d;
  glass.setDrawing(d);
  $("#fig-layers").textContent = d.layers.length; $("#fig-segments").textContent = d.segments;
  $("#fig-bytes").textContent = d.bytes < 1e6 ? `${(d.bytes / 1e3).toFixed(1)} kB` : `${(d.bytes / 1e6).toFixed(2)} MB`;
  $("#fig-worst").textContent = d.worst.toFixed(2);
  $("#fig-more").textContent = [`${d.kind}, ${d.medium}`, d.straightened ? "straightened" : "", d.flats ? `${d.flats} flats laid` : "", d.dust ? `${d.dust} specks dropped` : ""].filter(Boolean).join(", ");
  showSettings();
}

// ---- the picture on the glass

let opening = 0;

async function openPicture(id) {
  if (id === state.id) return;
  const ticket = ++opening; // of several calls the last one counts
  while (dirty && working) await new Promise((r) => setTimeout(r, 20)); // what was changed is kept first
  abort?.abort(); dirty = wantDraw = false;
  while (working) await new Promise((r) => setTimeout(r, 20));
  if (ticket !== opening) return;
  state.id = id; state.drawing = null; state.swatch = null; state.pour = null; state.saved = true;
  glass.clear(); glass.look.taken = false; $("#film-taken").setAttribute("aria-pressed", false);
  glass.root.classList.remove("bare");
  takeTool("");
  const p = state.pictures.find((p) => p.id === id);
  $("#picture-name").textContent = p.name;
  document.title = `${p.name} – light table`;
  history.replaceState(null, "", `#${id}`);
  showRack();
  try {
    const r = await get(`api/pictures/${id}`);
    if (ticket !== opening) return;
    state.settings = r.settings; state.revision = r.revision;
    let old = null;
    try { old = JSON.parse(sessionStorage.getItem(`steps ${id}`)); } catch { /* none */ }
    const fits = old && JSON.stringify(normal(old.history[old.at])) === JSON.stringify(normal(r.settings));
    state.history = fits ? old.history : [clone(r.settings)]; state.at = fits ? old.at : 0;
    stash();
  } catch (e) { setState("failed", e.message); grumble(e); return; }
  showSettings();
  setState(p.state, p.why);
  wantDraw = true; if (!working) work();
}

// normal is settings without the differences that mean nothing.
function normal(s) {
  const v = {};
  for (const k of Object.keys(s.values).sort()) if (s.values[k] !== "" && (k === "dust" || String(s.values[k]) !== String(state.fields[k]?.default))) v[k] = String(s.values[k]);
  return [v, ...LISTS.map((k) => list(s, k))];
}

function setState(s, why) {
  const p = state.pictures.find((p) => p.id === state.id);
  if (!p || !s) return;
  p.state = s; p.why = why || "";
  if (s === "written") state.saved = true;
  $("#picture-state").textContent = why ? `${s}: ${why}` : s;
  const e = $(`#prints [data-id="${p.id}"] em`);
  if (e) { e.textContent = s; e.dataset.state = s; }
}

async function write(over = false) {
  if (!state.id) return;
  while (working) await new Promise((r) => setTimeout(r, 20));
  try {
    const r = await post(`api/pictures/${state.id}/write`, { settings: state.settings, revision: state.revision, force: false, draw: true, over });
    state.revision = r.revision; setState("written");
    slip(`${r.file} is written`); say(`${r.file} is written`);
  } catch (e) {
    if (e.body?.revision) state.revision = e.body.revision;
    if (e.body?.edited) {
      const a = await ask(`${e.body.file}: ${e.message}. Write over it?`, [["over", "Write over it"], ["", "Leave it"]]);
      if (a === "over") await write(true);
    } else if (e.body?.changed) await settle(e.body);
    else grumble(e);
  }
}
$("#write").addEventListener("click", () => write());
addEventListener("beforeunload", (e) => { if (!state.saved) e.preventDefault(); });

// ---- the tray

const WORDS = ["medium", "kind", "ink"]; // settings of a few words

function text(key) { return state.settings.values[key] ?? String(state.fields[key]?.default ?? ""); }
function number(key) {
  const v = state.settings.values[key];
  if (key === "gap" && (v === undefined || v === "auto")) return state.drawing?.gap || 0;
  if (v !== undefined) return +v;
  if (key === "dust" && state.drawing && state.drawing.kind !== "digital") return 3;
  return +state.fields[key]?.default;
}
const units = { smoothness: (v) => `${v}`, turn: (v) => `${v}°`, dust: (v) => `${v} px`, gap: (v) => (text("gap") === "auto" ? `${v ? `${v} px, ` : ""}found` : `${v} px`) };

function showSettings() {
  glass.settings = { smoothness: number("smoothness"), turn: number("turn"), dust: number("dust") };
  glass.touches = list(state.settings, "touches");
  glass.recolour = new Map(list(state.settings, "colourway").map((s) => [s.swatch, s.colour]));
  for (const g of $$(".gauge")) {
    const key = g.dataset.key, input = g.querySelector("input"), v = number(key);
    if (document.activeElement !== input || +input.value !== v) input.value = v;
    const words = units[key](v);
    g.querySelector("output").textContent = words; input.setAttribute("aria-valuetext", words);
  }
  for (const c of $$("input[data-on]")) c.checked = text(c.id) === c.dataset.on;
  for (const s of WORDS) $(`#${s}`).value = text(s);
  const sheet = text("sheet");
  for (const r of $$("input[name=sheet]")) r.checked = r.value === (sheet === "auto" || sheet === "off" ? sheet : "corners");
  const auto = text("colours") === "auto";
  $("#colours-auto").checked = auto;
  if (document.activeElement !== $("#colours")) $("#colours").value = auto ? state.drawing?.swatches.length ?? "" : text("colours");
  showSwatches();
  glass.draw();
}

function furnish() {
  // Only what the engine knows lies in the tray.
  for (const e of $$("#tray [data-key]")) e.hidden = !state.fields[e.dataset.key];
  for (const s of WORDS) $(`#${s}`).replaceChildren(...(state.fields[s]?.arg || "").split("|").map((v) => new Option({ auto: "whatever it is", drawn: "as drawn", one: "in one colour", toned: "toned by its fill", line: "ink alone", inked: "ink over flats", flat: "flats" }[v] || v, v)));
  for (const g of $$(".gauge")) {
    const key = g.dataset.key, input = g.querySelector("input");
    const show = (on) => { glass.show = on ? key : glass.show === key ? "" : glass.show; glass.draw(); };
    input.addEventListener("input", () => { show(true); change((s) => { s.values[key] = input.value; }, false); });
    input.addEventListener("change", () => { change((s) => { s.values[key] = input.value; }, true); });
    input.addEventListener("focus", () => show(true)); input.addEventListener("blur", () => show(false));
    g.addEventListener("pointerenter", () => show(true)); g.addEventListener("pointerleave", () => { if (document.activeElement !== input) show(false); });
    input.addEventListener("keydown", (e) => { if (e.key === "Delete") change((s) => { delete s.values[key]; }, true); });
    g.addEventListener("dblclick", () => change((s) => { delete s.values[key]; }, true));
  }
  for (const c of $$("input[data-on]")) c.addEventListener("change", () => change((s) => { s.values[c.id] = c.checked ? c.dataset.on : c.dataset.off; }, true));
  for (const k of WORDS) $(`#${k}`).addEventListener("change", (e) => change((s) => { s.values[k] = e.target.value; }, true));
  for (const r of $$("input[name=sheet]")) r.addEventListener("change", async () => {
    if (r.value === "corners") { try { await showTaken(true); useCorners(); } catch (e) { grumble(e); } } else change((s) => { s.values.sheet = r.value; }, true);
  });
  $("#colours-auto").addEventListener("change", (e) => change((s) => { if (e.target.checked) delete s.values.colours; else s.values.colours = String(state.drawing?.swatches.length || 6); }, true));
  $("#colours").addEventListener("change", (e) => { if (e.target.checkValidity() && e.target.value) change((s) => { s.values.colours = e.target.value; }, true); });
}

// ---- tools

for (const b of $$(".tool")) b.addEventListener("click", () => takeTool(state.tool === b.dataset.tool ? "" : b.dataset.tool));

function takeTool(name) {
  state.tool = name; glass.pending = null; glass.root.dataset.tool = name;
  for (const b of $$(".tool")) b.setAttribute("aria-pressed", b.dataset.tool === name);
  if (name) say({ corner: "press where the outline should turn sharply", smooth: "press where it should run smoothly", drop: "press the mark that should go", keep: "press the mark that should stay", join: "press one area, then the one to join to it", separate: "press the two places to part", lay: "press an area to lay the chosen colour there" }[name]);
  glass.draw();
}

function press(p) {
  const at = glass.toPicture(p).map((v) => Math.round(v * 100) / 100);
  const [w, h] = glass.size;
  if (glass.look.taken || p[0] < 0 || p[1] < 0 || p[0] >= w || p[1] >= h) return;
  const touched = (t) => change((s) => { s.touches = [...list(s, "touches"), t]; }, true);
  switch (state.tool) {
    case "": pickAt(p); break;
    case "join": case "separate":
      if (!glass.pending) { glass.pending = at; say("now the other one"); glass.draw(); } else { const from = glass.pending; glass.pending = null; touched({ do: state.tool, at: from, to: at }); }
      break;
    case "lay": layFlat(at); break;
    default: touched({ do: state.tool, at });
  }
}

// pickAt chooses the swatch under a place.
function pickAt(p) {
  const d = state.drawing, c = glass.canvas.getContext("2d");
  c.save(); c.setTransform(1, 0, 0, 1, 0, 0);
  for (let i = d.layers.length - 1; i >= 0; i--) if (c.isPointInPath(d.paths[i], p[0], p[1], "evenodd")) { c.restore(); pickSwatch(d.layers[i].name); return; }
  c.restore();
}

function layFlat(at) {
  const w = current().find((w) => w.name === state.swatch);
  if (!w) { slip("choose a colour first"); return; }
  const colour = w.found || w.colour;
  if (text("lay-flats") !== "true") {
    change((s) => { s.touches = [...list(s, "touches"), { do: "lay", at, swatch: w.name, colour }]; }, true);
    return;
  }
  // Where all flats are laid, this one gets its colour; what was said of the same one before goes.
  const d = state.drawing, c = glass.canvas.getContext("2d"), [x, y] = glass.fromPicture(at);
  c.save(); c.setTransform(1, 0, 0, 1, 0, 0);
  let same = null;
  for (const l of d.layers) if (l.name !== "ink") for (const shape of l.shapes) { const p = pathOf([shape]); if (c.isPointInPath(p, x, y, "evenodd")) same = p; }
  const kept = list(state.settings, "flats").filter((f) => !same || !c.isPointInPath(same, ...glass.fromPicture(f.at), "evenodd"));
  c.restore();
  change((s) => { s.flats = [...kept, { at, swatch: w.name, colour }]; }, true);
}

// ---- colours

// current lists the swatches as they are shown: what was found, and those added that nothing shows yet.
function current() {
  const out = (state.drawing?.swatches || []).map((w) => ({ ...w }));
  for (const l of list(state.settings, "locked")) {
    const w = out.find((w) => w.name === l.swatch);
    if (w) w.held = true; else out.push({ name: l.swatch, colour: l.colour, held: true });
  }
  for (const l of state.drawing?.layers || []) if (!out.some((w) => w.name === l.name)) out.push({ name: l.name, colour: l.colour });
  for (const c of list(state.settings, "colourway")) { const w = out.find((w) => w.name === c.swatch); if (w) { w.found = w.colour; w.colour = c.colour; } }
  return out;
}

function showSwatches() {
  const box = $("#swatches"), focused = document.activeElement?.closest?.("#swatches li"), had = focused && [focused.dataset.name, document.activeElement.dataset.act];
  box.replaceChildren(...current().map((w, i) => {
    const li = document.createElement("li");
    li.dataset.name = w.name; li.style.setProperty("--c", w.colour); li.style.setProperty("--tilt", `${[-0.5, 0.35, -0.2, 0.55][i % 4]}deg`);
    li.classList.toggle("paper", !!w.paper); li.classList.toggle("on", state.swatch === w.name);
    const b = document.createElement("button");
    b.type = "button"; b.className = "chip" + (w.held ? " held" : ""); b.dataset.act = "chip";
    b.setAttribute("aria-pressed", state.swatch === w.name);
    b.setAttribute("aria-label", `${w.name} ${w.colour}${w.paper ? ", the paper, dropped" : ""}${w.held ? ", held" : ""}`);
    b.append(document.createElement("i"), Object.assign(document.createElement("span"), { textContent: w.paper ? `${w.name}, paper` : w.name }), Object.assign(document.createElement("small"), { textContent: w.colour }));
    b.addEventListener("click", () => pickSwatch(w.name));
    const acts = document.createElement("div");
    acts.className = "acts";
    const act = (key, label, f) => { const x = Object.assign(document.createElement("button"), { type: "button", textContent: label }); x.dataset.act = key; x.addEventListener("click", f); acts.append(x); };
    act("mix", "Mix…", () => mix(w));
    act("pour", "Pour into…", () => { state.pour = w.name; $("#pouring").hidden = false; $("#pouring").textContent = `Choose what ${w.name} is poured into.`; say($("#pouring").textContent); });
    act("hold", w.held ? "Let go" : "Hold", () => change((s) => { s.locked = w.held ? list(s, "locked").filter((l) => l.swatch !== w.name) : [...list(s, "locked"), { swatch: w.name, colour: w.found || w.colour }]; }, true));
    li.append(b, acts);
    // Pouring also goes by dragging one chip onto another.
    li.draggable = true;
    li.addEventListener("dragstart", (e) => { e.dataTransfer.setData("text/x-swatch", w.name); e.dataTransfer.effectAllowed = "move"; });
    li.addEventListener("dragover", (e) => { if (e.dataTransfer.types.includes("text/x-swatch")) { e.preventDefault(); e.stopPropagation(); } });
    li.addEventListener("drop", (e) => {
      const from = e.dataTransfer.getData("text/x-swatch");
      if (!from || from === w.name) return;
      e.preventDefault(); e.stopPropagation();
      state.pour = from; pickSwatch(w.name);
    });
    return li;
  }));
  if (had) box.querySelector(`li[data-name="${CSS.escape(had[0])}"] [data-act=${had[1]}]`)?.focus();
}

function pickSwatch(name) {
  if (state.pour && state.pour !== name) {
    const from = state.pour;
    state.pour = null; $("#pouring").hidden = true;
    const held = list(state.settings, "locked").some((l) => l.swatch === from);
    if (held) { slip(`${from} is held; let it go first`); return; }
    state.swatch = name;
    change((s) => { s.pours = [...list(s, "pours"), { swatch: from, into: name }]; }, true);
    return;
  }
  state.pour = null; $("#pouring").hidden = true;
  state.swatch = name;
  showSwatches();
  const li = $(`#swatches li[data-name="${CSS.escape(name)}"]`);
  li?.scrollIntoView({ block: "nearest" });
  const w = current().find((w) => w.name === name);
  if (w) say(`${name} ${w.colour}`);
}

function mixDialog(colour, name) {
  const d = $("#mix");
  $("#mix-colour").value = $("#mix-hex").value = colour;
  $("#mix-name-row").hidden = name === null; $("#mix-name").value = name || "colour"; $("#mix-name").required = name !== null;
  d.returnValue = ""; d.showModal();
  return new Promise((r) => d.addEventListener("close", () => r(d.returnValue === "ok" ? { colour: $("#mix-hex").value.toLowerCase(), name: $("#mix-name").value } : null), { once: true }));
}
$("#mix-colour").addEventListener("input", (e) => { $("#mix-hex").value = e.target.value; });
$("#mix-hex").addEventListener("input", (e) => { if (e.target.checkValidity()) $("#mix-colour").value = e.target.value; });

async function mix(w) {
  const m = await mixDialog(w.colour, null);
  if (!m) return;
  const twin = current().find((x) => x.name !== w.name && x.colour === m.colour && !x.paper);
  if (twin) { slip(`${twin.name} is ${m.colour} already; pour ${w.name} into it instead`); return; }
  // Nothing is traced for it: the drawing on the glass takes the colour at once.
  change((s) => { s.colourway = list(s, "colourway").filter((c) => c.swatch !== w.name); if (m.colour !== (w.found || w.colour)) s.colourway.push({ swatch: w.name, colour: m.colour }); }, true, false);
  say(`${w.name} is ${m.colour} now`);
}

$("#add-swatch").addEventListener("click", async () => {
  const m = await mixDialog("#d98c2b", "added");
  if (!m) return;
  if (current().some((w) => w.name === m.name || w.colour === m.colour)) { slip("that name or colour is there already"); return; }
  state.swatch = m.name;
  change((s) => { s.locked = [...list(s, "locked"), { swatch: m.name, colour: m.colour }]; }, true);
});

async function showLists() {
  const files = await get("api/swatches");
  $("#list-files").replaceChildren(...files.map((f) => {
    const li = document.createElement("li");
    li.append(Object.assign(document.createElement("span"), { textContent: `${f.name}: ${f.swatches.length} colours` }));
    const uses = [["as palette", () => usePalette(f.name)], ["as colourway", () => useColourway(f.swatches)]];
    if (state.fields.suggest) uses.push(["for flats", () => change((s) => { s.values.suggest = f.name; s.values["lay-flats"] = "true"; }, true)]);
    for (const [label, use] of uses) {
      const b = Object.assign(document.createElement("button"), { type: "button", textContent: label });
      b.addEventListener("click", () => { use(); $("#lists").close(); });
      li.append(b);
    }
    return li;
  }));
}
$("#lists-button").addEventListener("click", () => { $("#lists").showModal(); showLists().catch(grumble); });
const usePalette = (name) => change((s) => { s.values.palette = name; s.colourway = []; }, true);
const useColourway = (swatches) => change((s) => { s.colourway = swatches.map((w) => ({ swatch: w.name, colour: w.colour })); }, true, false);
$("#no-palette").addEventListener("click", () => { change((s) => { delete s.values.palette; delete s.values.suggest; }, true); $("#lists").close(); });
$("#save-list").addEventListener("click", async () => {
  const name = $("#list-name").value.trim(), swatches = current().map((w) => ({ name: w.name, colour: w.colour }));
  try { await post(`api/swatches/${encodeURIComponent(name)}`, { swatches, over: false }); } catch (e) {
    if (!e.body?.exists) { grumble(e); return; }
    if (await ask(`${e.message}. Write over it?`, [["over", "Write over it"], ["", "Leave it"]]) !== "over") return;
    await post(`api/swatches/${encodeURIComponent(name)}`, { swatches, over: true }).catch(grumble);
  }
  showLists().catch(grumble);
});
$("#list-file").addEventListener("change", async (e) => {
  const f = e.target.files[0];
  if (!f) return;
  try {
    const swatches = await postRaw("api/swatches/read", await f.slice(0, 1 << 20).text());
    await post(`api/swatches/${encodeURIComponent(f.name)}`, { swatches, over: false });
    slip(`${f.name} lies in the folder now`);
    await showLists();
  } catch (x) { grumble(x); }
  e.target.value = "";
});

// ---- the rack

async function fetchRack() {
  const r = await get("api/rack");
  state.fields = r.fields; state.pictures = r.pictures;
  showRun(r.run);
  showRack();
}

const marked = new Set();
function showRack() {
  const have = new Map($$("#prints li").map((li) => [li.dataset.id, li]));
  $("#prints").replaceChildren(...state.pictures.map((p) => {
    let li = have.get(p.id);
    if (!li) {
      li = document.createElement("li");
      li.dataset.id = p.id;
      const b = Object.assign(document.createElement("button"), { type: "button", className: "print" });
      const img = Object.assign(document.createElement("img"), { alt: "", loading: "lazy", src: `api/pictures/${p.id}/thumb` });
      b.append(img, Object.assign(document.createElement("span"), { textContent: p.name }), document.createElement("em"));
      b.addEventListener("click", () => openPicture(p.id).catch(grumble));
      const m = Object.assign(document.createElement("input"), { type: "checkbox" });
      m.setAttribute("aria-label", `mark ${p.name}`);
      m.addEventListener("change", () => { marked[m.checked ? "add" : "delete"](p.id); $("#copy-settings").disabled = !marked.size; });
      li.append(b, m);
    }
    li.classList.toggle("here", p.id === state.id);
    li.querySelector("button").setAttribute("aria-current", p.id === state.id ? "true" : "false");
    const em = li.querySelector("em");
    em.textContent = p.state; em.dataset.state = p.state; em.title = p.why || "";
    return li;
  }));
  glass.root.classList.toggle("bare", !state.id);
}

function showRun(r) {
  $("#run").hidden = !r || !!r.over; $("#run-rest").hidden = !$("#run").hidden;
  if (!r) return;
  $("#run-progress").max = r.total; $("#run-progress").value = r.done;
  if (r.over) { const t = r.stopped ? "The run was stopped." : r.failed ? `${r.total - r.failed} drawn, ${r.failed} failed.` : `${r.total} drawn.`; slip(t); say(t); } else say(`drawing ${r.name}, ${r.done + 1} of ${r.total}`);
}

$("#copy-settings").addEventListener("click", async () => {
  try { const r = await post("api/copy", { from: state.id, to: [...marked].filter((i) => i !== state.id) }); slip(`settings copied to ${r.copied}`); await fetchRack(); } catch (e) { grumble(e); }
});
$("#run-rest").addEventListener("click", async () => {
  const rest = state.pictures.filter((p) => p.state !== "written" && (!marked.size || marked.has(p.id))).map((p) => p.id);
  if (!rest.length) { slip("every drawing is written"); return; }
  try { await post("api/run", { pictures: rest }); } catch (e) { grumble(e); }
});
$("#run-stop").addEventListener("click", () => post("api/run/stop", {}).catch(grumble));

async function addFiles(files) {
  let last = null;
  for (const f of files) {
    try { last = await postRaw(`api/upload?name=${encodeURIComponent(f.name)}`, f); } catch (e) { grumble(e); }
  }
  if (last) { await fetchRack(); await openPicture(last.id); }
}
$("#files").addEventListener("change", (e) => addFiles([...e.target.files]).then(() => { e.target.value = ""; }, grumble));
addEventListener("dragover", (e) => { e.preventDefault(); if (e.dataTransfer.types.includes("Files")) glass.root.classList.add("over"); });
addEventListener("dragleave", () => glass.root.classList.remove("over"));
addEventListener("drop", (e) => { e.preventDefault(); glass.root.classList.remove("over"); addFiles([...e.dataTransfer.files]).catch(grumble); });

function neighbour(n) {
  const i = state.pictures.findIndex((p) => p.id === state.id), p = state.pictures[i + n];
  if (p) openPicture(p.id).then(() => say(p.name), grumble);
}

// ---- keys that serve everywhere

addEventListener("keydown", (e) => {
  const on = e.target, typing = on.matches?.("input:not([type=checkbox]):not([type=radio]), select, textarea");
  if (document.querySelector("dialog[open]")) return;
  if ((e.ctrlKey || e.metaKey) && e.key.toLowerCase() === "z" && !on.matches?.("input[type=text], input[type=number]")) { e.preventDefault(); step(e.shiftKey ? 1 : -1); }
  else if ((e.ctrlKey || e.metaKey) && e.key.toLowerCase() === "s") { e.preventDefault(); write(); }
  else if (e.key === "Escape" && state.tool) takeTool("");
  else if (typing) return;
  else if (e.key === "PageDown" || e.key === "PageUp") { e.preventDefault(); neighbour(e.key === "PageDown" ? 1 : -1); }
  else if (e.key === " " && !on.matches?.("button, input, a, summary")) { e.preventDefault(); if (!e.repeat) { glass.look.flip = true; glass.draw(); } }
});
addEventListener("keyup", (e) => { if (e.key === " " && glass.look.flip) { glass.look.flip = false; glass.draw(); } });
addEventListener("blur", () => { glass.look.flip = false; glass.draw(); });

// ---- surroundings

function setRoom(night) {
  document.documentElement.classList.toggle("night", night);
  $("#room").setAttribute("aria-pressed", night);
  glass.draw();
}
const dark = matchMedia("(prefers-color-scheme: dark)");
let room = null;
try { room = localStorage.getItem("room"); } catch { /* not kept */ }
setRoom(room ? room === "night" : dark.matches);
dark.addEventListener("change", () => { if (!room) setRoom(dark.matches); });
$("#room").addEventListener("click", () => {
  room = document.documentElement.classList.contains("night") ? "day" : "night";
  try { localStorage.setItem("room", room); } catch { /* not kept */ }
  setRoom(room === "night");
});
$("#keys-button").addEventListener("click", () => $("#keys").showModal());

// ---- begin

async function begin() {
  await fetchRack();
  furnish();
  listen((e) => {
    if (e.kind === "rack") fetchRack().catch(grumble);
    if (e.kind === "run") showRun(e.data);
    if (e.kind === "changed" && e.data.id === state.id && e.data.revision !== state.revision && !working && !dirty) slip("The settings were changed in another window; the next change here asks which count.");
  }, () => {});
  const first = state.pictures.find((p) => p.id === location.hash.slice(1)) || state.pictures[0];
  if (first) await openPicture(first.id);
}
document.fonts.ready.then(() => glass.draw());
begin().catch(grumble);
