// The glass: the sheet lying on it, what is laid over it, and how the hand moves it. It draws on one canvas; nothing of a
// drawing ever becomes markup.

import { apply, inverse, pathOf, jointsOf } from "./geometry.js";

const NEAREST = 64; // device px for one px of the sheet
const MARGIN = 18, NOTE_WIDE = 196, NOTE_HIGH = 92; // of the paper around what is drawn, and where the note stands, CSS px
const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

export class Glass {
  constructor(root, on) {
    this.root = root; this.on = on;
    this.canvas = root.querySelector("#view"); this.loupe = root.querySelector("#loupe");
    this.scale = 1; this.x = 0; this.y = 0; // screen = sheet * scale + (x, y), CSS px
    this.drawing = null; this.sheet = null; this.taken = null; this.corners = null;
    this.look = { wipe: 0, lamp: 0, points: false, difference: false, taken: false, flip: false, loupe: false };
    this.show = ""; // the setting that shows itself
    this.settings = {}; this.touches = []; this.pending = null; this.recolour = new Map();
    this.fitted = true; this.loupeAt = null;
    new ResizeObserver(() => this.resize()).observe(root);
    this.pointers();
    this.keyboard();
  }

  get size() { return this.look.taken && this.taken ? [this.takenSize[0], this.takenSize[1]] : this.drawing ? [this.drawing.width, this.drawing.height] : [1, 1]; }

  resize() {
    const d = devicePixelRatio || 1, b = this.root.getBoundingClientRect();
    this.w = b.width; this.h = b.height; this.ratio = d;
    this.canvas.width = Math.round(b.width * d); this.canvas.height = Math.round(b.height * d);
    this.loupe.width = this.loupe.height = Math.round(190 * d);
    if (this.fitted) this.fit(); else this.draw();
  }

  setDrawing(d) {
    const first = !this.drawing || this.drawing.width !== d.width || this.drawing.height !== d.height;
    this.drawing = d;
    d.paths = d.layers.map((l) => pathOf(l.shapes));
    d.joints = jointsOf(d.layers);
    d.whole = new Path2D();
    d.paths.forEach((p) => d.whole.addPath(p));
    this.root.classList.remove("bare");
    if (first && !this.look.taken) this.fit(); else this.draw();
  }

  clear() { this.drawing = null; this.sheet = null; this.taken = null; this.corners = null; this.pending = null; this.root.classList.add("bare"); this.fitted = true; this.draw(); }

  fit() {
    // The note stands beside the drawing or below it, whichever leaves the drawing larger.
    const [w, h] = this.size, head = 56 + MARGIN, foot = 40 + MARGIN, side = 24 + MARGIN;
    const beside = Math.min((this.w - 2 * side - NOTE_WIDE) / w, (this.h - head - foot) / h);
    const below = Math.min((this.w - 2 * side) / w, (this.h - head - foot - NOTE_HIGH) / h);
    this.beside = beside >= below;
    const right = this.beside ? NOTE_WIDE : 0, bottom = this.beside ? 0 : NOTE_HIGH;
    this.scale = Math.max(0.005, this.beside ? beside : below);
    this.x = (this.w - right - w * this.scale) / 2; this.y = head + (this.h - head - foot - bottom - h * this.scale) / 2;
    this.fitted = true;
    this.draw();
  }

  zoom(factor, cx = this.w / 2, cy = this.h / 2) {
    const d = this.ratio, to = Math.min(NEAREST / d, Math.max(0.02, this.scale * factor));
    this.x = cx - (cx - this.x) * to / this.scale; this.y = cy - (cy - this.y) * to / this.scale;
    this.scale = to; this.fitted = false;
    this.draw();
  }

  goTo([x, y], scale) {
    this.scale = scale; this.x = this.w / 2 - x * scale; this.y = this.h / 2 - y * scale; this.fitted = false;
    this.draw();
  }

  toSheet(sx, sy) { return [(sx - this.x) / this.scale, (sy - this.y) / this.scale]; }
  // Places are kept in px of the picture, so that they stay where the sheet is straightened another way.
  toPicture(p) { return this.drawing ? apply(inverse(this.drawing.homography), p) : p; }
  fromPicture(p) { return this.drawing ? apply(this.drawing.homography, p) : p; }

  draw() {
    if (this.drawn) return;
    this.drawn = true;
    requestAnimationFrame(() => { this.drawn = false; this.paint(); });
  }

  paint() {
    const c = this.canvas.getContext("2d"), d = this.ratio || 1;
    c.setTransform(1, 0, 0, 1, 0, 0);
    c.clearRect(0, 0, this.canvas.width, this.canvas.height);
    const [w, h] = this.size;
    if (this.drawing) {
      c.save();
      c.scale(d, d);
      // The paper, larger than what is drawn on it.
      const sheet = [this.x - MARGIN, this.y - MARGIN, w * this.scale + 2 * MARGIN + (this.beside ? NOTE_WIDE : 0), h * this.scale + 2 * MARGIN + (this.beside ? 0 : NOTE_HIGH)];
      if (document.documentElement.classList.contains("night")) { c.shadowColor = css("--lamp"); c.shadowBlur = 90 * d; c.fillStyle = css("--paper"); c.fillRect(...sheet); }
      c.shadowColor = css("--shade"); c.shadowBlur = 18 * d; c.shadowOffsetY = 5 * d;
      c.fillStyle = css("--paper");
      c.fillRect(...sheet);
      c.restore();
      this.scene(c, d * this.scale, d * this.x, d * this.y, this.canvas.width, this.canvas.height, true);
      this.marks(c, d);
    }
    this.paintLoupe();
    this.canvas.sheet = { x: this.x, y: this.y, w: w * this.scale, h: h * this.scale }; // where the sheet lies, CSS px
    this.on.painted?.();
  }

  original(c, k, x, y) {
    if (!this.sheet) return;
    const s = k < 0.4 && this.sheet.small ? this.sheet.small : this.sheet.whole;
    c.imageSmoothingEnabled = k < 1.01;
    c.imageSmoothingQuality = "high";
    c.drawImage(s, x, y, this.sheet.w * k, this.sheet.h * k);
  }

  drawn_(c, k, x, y) {
    const d = this.drawing;
    c.setTransform(k, 0, 0, k, x, y);
    c.fillStyle = "#fff"; c.fillRect(0, 0, d.width, d.height);
    d.layers.forEach((l, i) => { c.fillStyle = this.recolour.get(l.name) || l.colour; c.fill(d.paths[i], "evenodd"); });
    c.setTransform(1, 0, 0, 1, 0, 0);
  }

  // scene paints what lies under the glass: k device px for one px of the sheet, whose corner is at (x, y).
  scene(c, k, x, y, width, height, ruled) {
    const d = this.drawing, look = this.look;
    c.save();
    c.beginPath(); c.rect(x, y, this.size[0] * k, this.size[1] * k); c.clip();
    if (look.taken && this.taken) {
      c.drawImage(this.taken, x, y, this.takenSize[0] * k, this.takenSize[1] * k);
      c.restore();
      return;
    }
    if (look.flip) this.original(c, k, x, y);
    else if (look.difference && this.sheet) {
      const off = new OffscreenCanvas(width, height), o = off.getContext("2d");
      this.drawn_(o, k, x, y);
      o.globalCompositeOperation = "difference";
      this.original(o, k, x, y);
      c.filter = "grayscale(.4) brightness(3.2) invert(1)";
      c.drawImage(off, 0, 0);
      c.filter = "none";
    } else {
      this.drawn_(c, k, x, y);
      if (look.lamp > 0) { c.globalAlpha = look.lamp; this.original(c, k, x, y); c.globalAlpha = 1; }
      if (ruled && look.wipe > 0) {
        c.save(); c.beginPath(); c.rect(0, 0, look.wipe * width, height); c.clip();
        c.fillStyle = "#fff"; c.fillRect(x, y, d.width * k, d.height * k);
        this.original(c, k, x, y); c.restore();
      }
    }
    c.restore();
    const dpr = this.ratio || 1;
    if (this.show === "smoothness") {
      // How far the curve may leave the edge; drawn wider where that is too narrow to be seen.
      c.save(); c.setTransform(k, 0, 0, k, x, y);
      c.strokeStyle = css("--lamp"); c.globalAlpha = 0.75; c.lineJoin = "round";
      c.lineWidth = Math.max(2 * this.toleranceNow(), 1.5 * dpr / k); c.stroke(d.whole);
      if (2 * this.toleranceNow() * k > 4 * dpr) { c.globalAlpha = 1; c.strokeStyle = "#8a5510"; c.lineWidth = dpr / k; c.stroke(d.whole); }
      c.restore();
    }
    if (look.points) this.points(c, k, x, y, width, height, dpr);
    if (this.show === "turn") this.turns(c, k, x, y, dpr);
    if (this.show === "dust") this.dust(c, k, x, y, dpr);
    if (this.show === "gap" && d.bridges) {
      c.save(); c.strokeStyle = css("--focus"); c.lineCap = "round"; c.lineWidth = 3 * dpr;
      for (const b of d.bridges) { c.beginPath(); c.moveTo(x + b[0] * k, y + b[1] * k); c.lineTo(x + b[2] * k, y + b[3] * k); c.stroke(); }
      c.restore();
    }
  }

  // toleranceNow follows the slider before the new curves are there: 0 halves, 50 keeps, 100 makes four times as wide.
  toleranceNow() {
    const of = (s) => 2 ** ((s - 50) / (s < 50 ? 50 : 25));
    return this.drawing.tolerance * of(this.settings.smoothness ?? 50) / of(this.drawing.smoothness ?? 50);
  }

  points(c, k, x, y, w, h, dpr) {
    const d = this.drawing, near = k > 1.5 * dpr;
    c.save();
    c.setTransform(k, 0, 0, k, x, y); c.strokeStyle = "#1d2b33"; c.lineWidth = 2.4 * dpr / k; c.stroke(d.whole); c.strokeStyle = "#ffe2ae"; c.lineWidth = 1.1 * dpr / k; c.stroke(d.whole);
    c.setTransform(1, 0, 0, 1, 0, 0);
    const r = (near ? 3.6 : 2.1) * dpr;
    for (const j of d.joints) {
      const px = x + j.p[0] * k, py = y + j.p[1] * k;
      if (px < -90 || py < -90 || px > w + 90 || py > h + 90) continue;
      if (near) {
        c.strokeStyle = "#a13c00"; c.lineWidth = dpr; c.fillStyle = "#a13c00";
        for (const q of [j.before, j.after]) if (q) {
          c.beginPath(); c.moveTo(px, py); c.lineTo(x + q[0] * k, y + q[1] * k); c.stroke();
          c.beginPath(); c.arc(x + q[0] * k, y + q[1] * k, 2 * dpr, 0, 7); c.fill();
        }
      }
      c.beginPath();
      if (j.turn > 12) { c.moveTo(px, py - r * 1.3); c.lineTo(px + r * 1.3, py); c.lineTo(px, py + r * 1.3); c.lineTo(px - r * 1.3, py); c.closePath(); } else c.arc(px, py, r, 0, 7);
      c.fillStyle = "#fffaf0"; c.fill(); c.strokeStyle = "#1d2b33"; c.lineWidth = 1.2 * dpr; c.stroke();
    }
    c.restore();
  }

  turns(c, k, x, y, dpr) {
    const limit = this.settings.turn ?? 24;
    c.save(); c.lineWidth = 2 * dpr;
    for (const j of this.drawing.joints) {
      if (j.turn < 12) continue;
      const px = x + j.p[0] * k, py = y + j.p[1] * k, r = 6 * dpr;
      c.beginPath();
      if (j.turn > limit) { c.moveTo(px - r, py + r * 0.8); c.lineTo(px, py - r * 0.8); c.lineTo(px + r, py + r * 0.8); c.strokeStyle = css("--focus"); }
      else { c.arc(px, py, r, Math.PI, 0); c.strokeStyle = css("--brass"); }
      c.strokeStyle = j.turn > limit ? "#a13c00" : "#1f6a45"; c.stroke();
    }
    c.restore();
  }

  dust(c, k, x, y, dpr) {
    const limit = this.settings.dust;
    c.save(); c.lineWidth = 2 * dpr; c.strokeStyle = "#a13c00";
    for (const m of this.drawing.marks || []) {
      if (m[3] > limit) break;
      c.beginPath(); c.arc(x + m[0] * k, y + m[1] * k, Math.max(m[2] * k + 3 * dpr, 7 * dpr), 0, 7); c.stroke();
    }
    c.restore();
  }

  // marks paints what was touched up by hand.
  marks(c, d) {
    if (this.look.taken) return;
    c.save(); c.scale(d, d); c.lineWidth = 1.6; c.font = "italic 12px Go"; c.textBaseline = "middle";
    const at = (p) => { const q = this.fromPicture(p); return [q[0] * this.scale + this.x, q[1] * this.scale + this.y]; };
    for (const t of this.touches) {
      const p = at(t.at);
      c.strokeStyle = "#a13c00"; c.fillStyle = "#a13c00";
      c.beginPath();
      if (t.do === "corner") { c.moveTo(p[0] - 6, p[1] + 5); c.lineTo(p[0], p[1] - 5); c.lineTo(p[0] + 6, p[1] + 5); }
      else if (t.do === "smooth") c.arc(p[0], p[1], 6, Math.PI, 0);
      else if (t.to) { const q = at(t.to); c.setLineDash(t.do === "separate" ? [4, 3] : []); c.moveTo(...p); c.lineTo(...q); c.stroke(); c.setLineDash([]); c.beginPath(); c.arc(p[0], p[1], 3, 0, 7); c.moveTo(q[0] + 3, q[1]); c.arc(q[0], q[1], 3, 0, 7); }
      else { c.arc(p[0], p[1], 6, 0, 7); if (t.do === "drop") { c.moveTo(p[0] - 4, p[1] + 4); c.lineTo(p[0] + 4, p[1] - 4); } }
      c.stroke();
    }
    if (this.pending) { const p = at(this.pending); c.strokeStyle = "#a13c00"; c.beginPath(); c.arc(p[0], p[1], 7, 0, 7); c.moveTo(p[0] - 11, p[1]); c.lineTo(p[0] + 11, p[1]); c.moveTo(p[0], p[1] - 11); c.lineTo(p[0], p[1] + 11); c.stroke(); }
    c.restore();
  }

  paintLoupe() {
    const on = this.drawing && !this.look.taken && (this.look.loupe || this.show === "smoothness");
    this.loupe.classList.toggle("on", !!on);
    if (!on) return;
    const c = this.loupe.getContext("2d"), n = this.loupe.width, d = this.ratio;
    const p = this.look.loupe && this.loupeAt || this.drawing.worstAt;
    const k = Math.max(12, this.scale * 6) * d;
    c.setTransform(1, 0, 0, 1, 0, 0); c.fillStyle = "#fff"; c.fillRect(0, 0, n, n);
    const x = n / 2 - p[0] * k, y = n / 2 - p[1] * k;
    this.original(c, k, x, y);
    c.save(); c.setTransform(k, 0, 0, k, x, y); c.lineJoin = "round";
    c.strokeStyle = css("--lamp"); c.globalAlpha = 0.5; c.lineWidth = 2 * this.toleranceNow(); c.stroke(this.drawing.whole);
    c.globalAlpha = 1; c.strokeStyle = "#fff"; c.lineWidth = 3.4 * d / k; c.stroke(this.drawing.whole); c.strokeStyle = "#a13c00"; c.lineWidth = 1.6 * d / k; c.stroke(this.drawing.whole);
    c.restore();
  }

  // pointers: one moves the glass or uses the tool, two zoom.
  pointers() {
    const at = new Map(), el = this.canvas;
    let moved = 0, spread = 0;
    const local = (e) => { const b = el.getBoundingClientRect(); return [e.clientX - b.left, e.clientY - b.top]; };
    el.addEventListener("pointerdown", (e) => {
      if (e.button > 1) return;
      el.setPointerCapture(e.pointerId); at.set(e.pointerId, local(e)); if (at.size === 1) moved = 0; spread = 0;
    });
    el.addEventListener("pointermove", (e) => {
      const p = local(e);
      if (this.look.loupe) { this.loupeAt = this.toSheet(...p); if (!at.size) this.paintLoupe(); }
      const was = at.get(e.pointerId);
      if (!was) return;
      at.set(e.pointerId, p);
      if (at.size === 1) {
        moved += Math.hypot(p[0] - was[0], p[1] - was[1]);
        if (moved > 4) { this.x += p[0] - was[0]; this.y += p[1] - was[1]; this.fitted = false; this.draw(); }
      } else {
        moved = 99;
        const [a, b] = [...at.values()], d = Math.hypot(a[0] - b[0], a[1] - b[1]);
        this.x += (p[0] - was[0]) / 2; this.y += (p[1] - was[1]) / 2;
        if (spread) this.zoom(d / spread, (a[0] + b[0]) / 2, (a[1] + b[1]) / 2);
        spread = d;
      }
    });
    const end = (e) => {
      const p = at.get(e.pointerId);
      at.delete(e.pointerId); spread = 0;
      if (p && e.type === "pointerup" && moved <= 4 && this.drawing) this.on.press?.(this.toSheet(...p));
    };
    el.addEventListener("pointerup", end); el.addEventListener("pointercancel", end);
    el.addEventListener("wheel", (e) => { e.preventDefault(); this.zoom(Math.exp(-e.deltaY * (e.ctrlKey ? 0.01 : 0.0016)), ...local(e)); }, { passive: false });
  }

  keyboard() {
    this.canvas.addEventListener("keydown", (e) => {
      if (e.ctrlKey || e.metaKey || e.altKey) return;
      const step = e.shiftKey ? 8 : 48;
      const move = { ArrowLeft: [step, 0], ArrowRight: [-step, 0], ArrowUp: [0, step], ArrowDown: [0, -step] }[e.key];
      if (move) { this.x += move[0]; this.y += move[1]; this.fitted = false; this.draw(); }
      else if (e.key === "+" || e.key === "=") this.zoom(1.5);
      else if (e.key === "-") this.zoom(1 / 1.5);
      else if (e.key === "0") this.fit();
      else if (e.key === "1") this.trueSize();
      else if (e.key === "l" || e.key === "L") { this.loupeAt = this.toSheet(this.w / 2, this.h / 2); this.on.loupe?.(); }
      else if (e.key === "Enter") this.on.press?.(this.toSheet(this.w / 2, this.h / 2));
      else return;
      e.preventDefault();
    });
  }

  trueSize() { const [x, y] = this.toSheet(this.w / 2, this.h / 2); this.goTo([x, y], 1 / this.ratio); }
}
