// Homographies as nine numbers, row by row, and what is drawn from the rings of a drawing.

export function apply(m, [x, y]) {
  const w = m[6] * x + m[7] * y + m[8];
  return [(m[0] * x + m[1] * y + m[2]) / w, (m[3] * x + m[4] * y + m[5]) / w];
}

export function inverse(m) {
  return [m[4] * m[8] - m[5] * m[7], m[2] * m[7] - m[1] * m[8], m[1] * m[5] - m[2] * m[4],
    m[5] * m[6] - m[3] * m[8], m[0] * m[8] - m[2] * m[6], m[2] * m[3] - m[0] * m[5],
    m[3] * m[7] - m[4] * m[6], m[1] * m[6] - m[0] * m[7], m[0] * m[4] - m[1] * m[3]];
}

// pathOf strings the rings of a layer into one path.
export function pathOf(shapes) {
  const p = new Path2D();
  for (const rings of shapes) for (const r of rings) {
    p.moveTo(r[0], r[1]);
    for (let i = 2; i < r.length;) {
      if (r[i] === 0) { p.lineTo(r[i + 1], r[i + 2]); i += 3; } else { p.bezierCurveTo(r[i + 1], r[i + 2], r[i + 3], r[i + 4], r[i + 5], r[i + 6]); i += 7; }
    }
    p.closePath();
  }
  return p;
}

// jointsOf lists the points of a drawing: where, the handles beside it, and how sharply the outline turns, in degrees.
export function jointsOf(layers) {
  const out = [];
  for (const l of layers) for (const rings of l.shapes) for (const r of rings) {
    const segs = [];
    let at = [r[0], r[1]];
    for (let i = 2; i < r.length;) {
      if (r[i] === 0) { const to = [r[i + 1], r[i + 2]]; segs.push({ a: at, out: null, in: null, b: to }); at = to; i += 3; }
      else { const to = [r[i + 5], r[i + 6]]; segs.push({ a: at, out: [r[i + 1], r[i + 2]], in: [r[i + 3], r[i + 4]], b: to }); at = to; i += 7; }
    }
    segs.forEach((s, k) => {
      const n = segs[(k + 1) % segs.length];
      const u = away(s.b, s.in, s.a), v = away(n.a, n.out, n.b);
      const turn = Math.abs(Math.atan2(-u[0] * v[1] + u[1] * v[0], -(u[0] * v[0] + u[1] * v[1]))) * 180 / Math.PI;
      out.push({ p: s.b, before: s.in, after: n.out, turn });
    });
  }
  return out;
}

function away(from, handle, end) {
  const t = handle && (handle[0] !== from[0] || handle[1] !== from[1]) ? handle : end;
  return [t[0] - from[0], t[1] - from[1]];
}
