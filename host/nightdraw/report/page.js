
"use strict";
// Draws the recording that stands in the page as JSON: strips under each other over one axis of time, which
// are moved and zoomed together. A band is columns of equal width with lowest and highest value; coarser
// levels of it are made here, so that a view draws a few columns a pixel and every spike stays.

const doc = JSON.parse(document.getElementById("data").textContent);
const plot = document.getElementById("plot");
const canvas = plot.querySelector("canvas");
const overview = document.getElementById("overview");
const height = document.getElementById("height");
const shown = document.getElementById("view");
const calm = matchMedia("(prefers-reduced-motion: reduce)");
const TOP = 20, CAPTION = 20, AXIS = 24, RIGHT = 12;
const ZOOM = 1.6, SHIFT = 0.2, GLIDE_MS = 180, LEAST_COLUMNS = 6;
const whole = { from: doc.begin, to: doc.end };
let view = { ...whole };
let hair = null, picked = null, gliding = 0, waiting = false;

function unpack(text) {
  const bytes = Uint8Array.from(atob(text), c => c.charCodeAt(0));
  return new Float32Array(bytes.buffer);
}

/** Levels of a band, the finest first, each four columns of the one before as one. */
function levels(band) {
  const low = unpack(band.low), high = band.high === null ? low : unpack(band.high);
  const all = [{ low, high, width: band.width, gap: Math.max(band.gap, 1) }];
  while (all.at(-1).low.length > 512) {
    const { low: l, high: h, width, gap } = all.at(-1), count = Math.ceil(l.length / 4);
    const lows = new Float32Array(count).fill(NaN), highs = new Float32Array(count).fill(NaN);
    for (let i = 0; i < l.length; i++) {
      const k = i >> 2;
      if (!(lows[k] <= l[i]) && l[i] === l[i]) lows[k] = l[i];
      if (!(highs[k] >= h[i]) && h[i] === h[i]) highs[k] = h[i];
    }
    all.push({ low: lows, high: highs, width: width * 4, gap: Math.max(gap / 4, 1) });
  }
  return { begin: band.begin, end: band.begin + band.width * low.length, all };
}

const strips = doc.strips.map(strip => ({ ...strip, bands: strip.bands.map(levels) }));
const finest = Math.min(...strips.flatMap(strip => strip.bands.map(band => band.all[0].width)));

/** Visit the columns of a band between two instants: middle, lowest, highest; gap(true) before one after a gap. */
function columns(band, from, to, least, visit) {
  const level = band.all.findLast(one => one.width <= least) || band.all[0];
  const first = Math.max(Math.floor((from - band.begin) / level.width) - 1, 0);
  const last = Math.min(Math.ceil((to - band.begin) / level.width) + 1, level.low.length);
  let empty = 0;
  for (let i = first; i < last; i++) {
    if (level.low[i] !== level.low[i]) { empty++; continue; }
    visit(band.begin + (i + 0.5) * level.width, level.low[i], level.high[i], empty >= level.gap);
    empty = 0;
  }
}

/** Lowest and highest value of a strip between two instants, null where it has none. */
function extremes(strip, from, to) {
  let low = Infinity, high = -Infinity;
  columns(strip.bands[0], from, to, (to - from) / 200, (t, l, h) => {
    low = Math.min(low, l);
    high = Math.max(high, h);
  });
  return low <= high ? [low, high] : null;
}

function range(strip) {
  if (height.value === "usual") return strip.reach;
  const span = height.value === "all" ? whole : view;
  const [low, high] = extremes(strip, span.from, span.to) || [0, 1];
  const bottom = height.value === "all" ? Math.min(low, 0) : low, top = height.value === "all" ? Math.max(high, 0) : high;
  const free = 0.06 * (top - bottom) || 1;
  return [bottom - free, top + free];
}

function amount(value, unit, like = value) {
  const large = Math.abs(like) >= 2000, per = large ? 1000 : 1;
  return `${Number((value / per).toPrecision(4))} ${large ? unit.slice(1) : unit}`;
}

function ticksOf(from, to, most) {
  const step = doc.steps.find(s => (to - from) / s <= most) || doc.steps.at(-1);
  const found = [];
  for (let k = Math.ceil(from / step - 1e-9); k <= to / step + 1e-9; k++) found.push(k * step);
  return { found, step };
}

/** An instant in words, as finely as steps of this size need it. */
function label(t, step, end) {
  const sign = t < -step / 2 ? "-" : "", size = Math.abs(t), two = n => String(n).padStart(2, "0");
  if (step >= 3600) return `${sign}${Math.round(size / 3600)} h`;
  if (step >= 60) {
    const minutes = Math.round(size / 60);
    return end > 7200 ? `${sign}${Math.floor(minutes / 60)}:${two(minutes % 60)} h` : `${sign}${minutes} min`;
  }
  let digits = 0;
  while (step < 1 && digits < 7 && step * 10 ** digits <= 0.99) digits++;
  if (end <= 120) return `${sign}${size.toFixed(digits)} s`;
  const round = Math.round(size * 10 ** digits) / 10 ** digits, minutes = Math.floor(round / 60);
  const rest = (round % 60).toFixed(digits).padStart(digits ? digits + 3 : 2, "0");
  return end <= 7200 ? `${sign}${minutes}:${rest} min` : `${sign}${Math.floor(minutes / 60)}:${two(minutes % 60)}:${rest} h`;
}

function words(t) { return label(t, doc.steps.findLast(s => s <= (view.to - view.from) / 200) || finest, doc.end); }

// ---- geometry

function layout() {
  const width = plot.clientWidth, narrow = width < 560;
  const left = narrow ? 44 : 62, tall = narrow ? 100 : strips.length > 4 ? 110 : 150;
  const rows = strips.map((strip, k) => ({ strip, top: TOP + CAPTION + k * (tall + CAPTION), tall }));
  return { width, left, right: width - RIGHT, rows, height: TOP + strips.length * (tall + CAPTION) + AXIS };
}

function fit(target, wide, high) {
  const ratio = window.devicePixelRatio || 1;
  if (target.width !== Math.round(wide * ratio) || target.height !== Math.round(high * ratio)) {
    target.width = Math.round(wide * ratio);
    target.height = Math.round(high * ratio);
    target.style.height = `${high}px`;
  }
  const ctx = target.getContext("2d");
  ctx.setTransform(ratio, 0, 0, ratio, 0, 0);
  ctx.clearRect(0, 0, wide, high);
  ctx.font = "12px system-ui, 'Liberation Sans', Arial, sans-serif";
  return ctx;
}

function colours() {
  const style = getComputedStyle(document.documentElement);
  return Object.fromEntries(["ink", "faint", "rule", "ma", "mv", "pulse", "alarm", "panel"]
    .map(name => [name, style.getPropertyValue(`--${name}`).trim()]));
}

// ---- drawing

function draw() {
  waiting = false;
  const at = layout(), c = colours(), ctx = fit(canvas, at.width, at.height);
  const x = t => at.left + (t - view.from) / (view.to - view.from) * (at.right - at.left);
  axis(ctx, at, c, x);
  for (const row of at.rows) drawStrip(ctx, at, row, c, x);
  pulses(ctx, at, c, x);
  events(ctx, at, c, x);
  cursor(ctx, at, c, x);
  drawOverview(c);
  shown.textContent = `${words(view.from)} to ${words(view.to)}`;
}

function later() {
  if (!waiting) requestAnimationFrame(draw);
  waiting = true;
}

function axis(ctx, at, c, x) {
  const { found, step } = ticksOf(view.from, view.to, Math.max((at.right - at.left) / 95, 2));
  const bottom = at.height - AXIS;
  ctx.strokeStyle = c.rule;
  ctx.fillStyle = c.ink;
  ctx.textAlign = "center";
  ctx.beginPath();
  for (const t of found) {
    ctx.moveTo(Math.round(x(t)) + 0.5, TOP);
    ctx.lineTo(Math.round(x(t)) + 0.5, bottom + 4);
    const text = label(t, step, doc.end), half = ctx.measureText(text).width / 2;
    ctx.fillText(text, Math.min(Math.max(x(t), half), at.width - half), bottom + 18);
  }
  ctx.stroke();
}

function drawStrip(ctx, at, row, c, x) {
  const { strip, top, tall } = row, [low, high] = range(strip), ink = strip.unit === "mV" ? c.mv : c.ma;
  const y = v => top + tall - (v - low) / (high - low) * tall;
  const like = Math.max(Math.abs(low), Math.abs(high));
  Object.assign(row, { y, low, high, like });
  ctx.textAlign = "right";
  ctx.fillStyle = c.ink;
  for (const value of nice(low, high)) {
    const per = like >= 2000 ? 1000 : 1;
    ctx.fillText(Number((value / per).toPrecision(4)), at.left - 6, y(value) + 4);
    ctx.strokeStyle = value === 0 ? c.faint : c.rule;
    line(ctx, at.left, y(value), at.right, y(value));
  }
  ctx.textAlign = "left";
  ctx.fillStyle = ink;
  ctx.font = "600 13px system-ui, 'Liberation Sans', Arial, sans-serif";
  const room = at.right - at.left - (hair === null ? 0 : 150);
  ctx.fillText(short(ctx, `${strip.name}, ${like >= 2000 ? strip.unit.slice(1) : strip.unit}`, room), at.left, top - 5);
  ctx.font = "12px system-ui, 'Liberation Sans', Arial, sans-serif";
  ctx.save();
  ctx.beginPath();
  ctx.rect(at.left, top - 1, at.right - at.left, tall + 2);
  ctx.clip();
  if (strip.base) {
    ctx.strokeStyle = c.pulse;
    ctx.setLineDash([6, 4]);
    ctx.beginPath();
    for (const [t, level] of strip.base) ctx.lineTo(x(t), y(level));
    ctx.stroke();
    ctx.setLineDash([]);
  }
  // Where every sample is known and the whole is coarser than a few pixels, the samples stand in its place.
  const pixel = (view.to - view.from) / (at.right - at.left);
  const coarse = strip.bands[0].all[0].width > 2 * pixel;
  const finer = strip.bands.slice(1).filter(one => coarse && one.end > view.from && one.begin < view.to);
  for (const band of finer) shape(ctx, band, pixel, x, y, ink);
  ctx.beginPath();
  ctx.rect(at.left, top - 1, at.right - at.left, tall + 2);
  for (const band of finer) ctx.rect(x(band.begin), top - 1, x(band.end) - x(band.begin), tall + 2);
  ctx.clip("evenodd");
  shape(ctx, strip.bands[0], pixel, x, y, ink);
  ctx.restore();
  beyond(ctx, at, row, pixel, x, c);
}

/** The area between lowest and highest, and its outline, in pieces between gaps. */
function shape(ctx, band, pixel, x, y, ink) {
  const pieces = [];
  columns(band, view.from, view.to, pixel, (t, low, high, gap) => {
    if (gap || !pieces.length) pieces.push([]);
    pieces.at(-1).push([x(t), y(low), y(high)]);
  });
  const path = new Path2D();
  for (const piece of pieces) {
    const [first] = piece;
    path.moveTo(first[0] - (piece.length > 1 ? 0 : 0.7), first[2]);
    for (const [at, , high] of piece) path.lineTo(at, high);
    for (const [at, low] of piece.toReversed()) path.lineTo(at, low);
    path.closePath();
  }
  ctx.fillStyle = ctx.strokeStyle = ink;
  ctx.globalAlpha = 0.5;
  ctx.fill(path);
  ctx.globalAlpha = 1;
  ctx.lineWidth = 1.2;
  ctx.lineJoin = "round";
  ctx.stroke(path);
  ctx.lineWidth = 1;
  const points = pieces.flat();
  if (points.length > 1 && points[1][0] - points[0][0] > 7) {
    for (const [at, low, high] of points) if (low === high) ctx.fillRect(at - 1.8, low - 1.8, 3.6, 3.6);
  }
}

/** Mark what goes beyond the vertical range, with the furthest value of each stretch. */
function beyond(ctx, at, row, pixel, x, c) {
  const { strip, top, tall, low, high, like } = row, runs = [];
  columns(strip.bands[0], view.from, view.to, pixel, (t, l, h) => {
    const px = x(t), up = h > high, value = up ? h : l;
    if (!up && l >= low || px < at.left || px > at.right) return;
    const run = runs.at(-1);
    if (run && run.up === up && px - run.to < 6) {
      run.to = px;
      if (Math.abs(value) > Math.abs(run.value)) run.value = value;
    } else runs.push({ from: px, to: px, up, value });
  });
  let free = -Infinity;
  ctx.fillStyle = c.alarm;
  for (const run of runs) {
    const edge = run.up ? top - 1 : top + tall - 3;
    ctx.fillRect(run.from - 2, edge, run.to - run.from + 4, 4);
    const text = `${run.up ? "\u25b2" : "\u25bc"} ${amount(run.value, strip.unit, like >= 2000 ? like : run.value)}`;
    const wide = ctx.measureText(text).width;
    const begin = Math.min(run.to + 5, at.right - wide);
    if (begin < free) continue;
    ctx.textAlign = "left";
    ctx.fillText(text, begin, run.up ? top + 11 : top + tall - 5);
    free = begin + wide + 8;
  }
}

function pulses(ctx, at, c, x) {
  const { top, tall, y } = at.rows[0];
  ctx.fillStyle = ctx.strokeStyle = c.pulse;
  let free = -Infinity;
  for (const [start, lasting, level] of doc.pulses) {
    if (start + lasting < view.from || start > view.to) continue;
    const left = Math.max(x(start), at.left), right = Math.min(x(start + lasting), at.right);
    ctx.fillRect(left, top + tall + 1, Math.max(right - left, 2), 4);
    if (right - left < 130 || left < free || x(start) < at.left || x(start + lasting) > at.right) continue;
    ctx.setLineDash([3, 3]);
    line(ctx, left, top, left, top + tall);
    line(ctx, right, top, right, top + tall);
    ctx.setLineDash([]);
    ctx.textAlign = "center";
    const text = `${duration(lasting)}, ${amount(level, strips[0].unit)}`;
    const above = y(baseAt(start) + level) - 8, fits = above - top > 10;
    if (ctx.measureText(text).width < right - left - 8) ctx.fillText(text, (left + right) / 2, fits ? above : above + 24);
    free = right;
  }
}

function baseAt(t) {
  const after = strips[0].base?.find(([at]) => at >= t) || strips[0].base?.at(-1);
  return after ? after[1] : 0;
}

function duration(t) { return t < 1 ? `${Number((t * 1e3).toPrecision(4))} ms` : `${Number(t.toPrecision(5))} s`; }

function events(ctx, at, c, x) {
  let free = -Infinity;
  ctx.fillStyle = ctx.strokeStyle = c.ink;
  ctx.textAlign = "left";
  for (const [t, word] of doc.events) {
    const px = x(t);
    if (px < at.left || px > at.right) continue;
    ctx.setLineDash([1, 3]);
    line(ctx, px, TOP - 4, px, at.height - AXIS);
    ctx.setLineDash([]);
    const wide = ctx.measureText(word).width, begin = Math.min(px + 2, at.right - wide);
    if (begin < free) continue;
    ctx.fillText(word, begin, TOP - 7);
    free = begin + wide + 8;
  }
}

function cursor(ctx, at, c, x) {
  if (picked) {
    ctx.fillStyle = c.rule;
    ctx.fillRect(picked.from, TOP, picked.to - picked.from, at.height - AXIS - TOP);
  }
  if (hair === null || hair < at.left || hair > at.right) return;
  const t = view.from + (hair - at.left) / (at.right - at.left) * (view.to - view.from);
  const pixel = (view.to - view.from) / (at.right - at.left);
  ctx.strokeStyle = c.faint;
  line(ctx, hair, TOP, hair, at.height - AXIS);
  ctx.fillStyle = c.ink;
  ctx.textAlign = "right";
  for (const { strip, top } of at.rows) {
    const band = strip.bands.slice(1).find(one => one.begin <= t && one.end >= t) || strip.bands[0];
    let best = null;
    columns(band, t - pixel, t + pixel, pixel, (middle, low, high) => {
      if (best === null || Math.abs(middle - t) < Math.abs(best[0] - t)) best = [middle, low, high];
    });
    if (best === null) continue;
    const [, low, high] = best;
    const text = low === high ? amount(low, strip.unit) : `${amount(low, strip.unit, high)} to ${amount(high, strip.unit)}`;
    ctx.fillText(text, at.right, top - 5);
  }
  const text = words(t), half = ctx.measureText(text).width / 2 + 4;
  const middle = Math.min(Math.max(hair, at.left + half), at.right - half);
  ctx.fillStyle = c.ink;
  ctx.fillRect(middle - half, at.height - 19, 2 * half, 18);
  ctx.fillStyle = c.panel;
  ctx.textAlign = "center";
  ctx.fillText(text, middle, at.height - 6);
}

function drawOverview(c) {
  const wide = overview.clientWidth, high = 40, ctx = fit(overview, wide, high), { left, right } = layout();
  const [low, top] = strips[0].reach, ink = strips[0].unit === "mV" ? c.mv : c.ma;
  const x = t => left + (t - whole.from) / (whole.to - whole.from) * (right - left);
  ctx.fillStyle = ink;
  columns(strips[0].bands[0], whole.from, whole.to, (whole.to - whole.from) / (right - left), (t, l, h) => {
    const up = high - (Math.min(h, top) - low) / (top - low) * high;
    ctx.fillRect(x(t), up, 1, Math.max(high - (Math.max(l, low) - low) / (top - low) * high - up, 1));
  });
  const from = x(view.from), to = x(view.to);
  ctx.fillStyle = c.rule;
  ctx.fillRect(left, 0, from - left, high);
  ctx.fillRect(to, 0, right - to, high);
  ctx.strokeStyle = c.ink;
  ctx.lineWidth = 2;
  ctx.strokeRect(Math.max(from, left) + 1, 1, Math.max(to - from, 4) - 2, high - 2);
}

function line(ctx, x0, y0, x1, y1) {
  const half = v => Math.round(v) + 0.5;
  ctx.beginPath();
  ctx.moveTo(half(x0), half(y0));
  ctx.lineTo(half(x1), half(y1));
  ctx.stroke();
}

function short(ctx, text, room) {
  if (ctx.measureText(text).width <= room) return text;
  while (text.length > 1 && ctx.measureText(`${text}\u2026`).width > room) text = text.slice(0, -1);
  return `${text}\u2026`;
}

function nice(low, high) {
  const rough = (high - low) / 4, power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map(n => n * power).find(s => s >= rough);
  const found = [];
  for (let k = Math.ceil(low / step); k * step <= high; k++) found.push(k * step);
  return found;
}

// ---- moving

function show(from, to) {
  const most = whole.to - whole.from, span = Math.min(Math.max(to - from, LEAST_COLUMNS * finest), most);
  const middle = (from + to) / 2;
  const begin = Math.min(Math.max(middle - span / 2, whole.from), whole.to - span);
  view = { from: begin, to: begin + span };
  later();
}

/** The same in a few steps, so that the eye can follow; at once for whoever wants no motion. */
function glide(from, to) {
  cancelAnimationFrame(gliding);
  if (calm.matches) { show(from, to); return; }
  const old = { ...view }, begun = performance.now();
  const step = now => {
    const share = Math.min((now - begun) / GLIDE_MS, 1), eased = share * (2 - share);
    show(old.from + (from - old.from) * eased, old.to + (to - old.to) * eased);
    if (share < 1) gliding = requestAnimationFrame(step);
  };
  gliding = requestAnimationFrame(step);
}

function zoomed(factor, t = (view.from + view.to) / 2) {
  return [t - (t - view.from) / factor, t + (view.to - t) / factor];
}

function moved(share) {
  const by = share * (view.to - view.from);
  return by < 0 ? [Math.max(view.from + by, whole.from), Math.max(view.from + by, whole.from) + view.to - view.from]
    : [Math.min(view.to + by, whole.to) - view.to + view.from, Math.min(view.to + by, whole.to)];
}

function toPulse(way) {
  const middle = (view.from + view.to) / 2, all = way > 0 ? doc.pulses : doc.pulses.toReversed();
  const next = all.find(([start, lasting]) => way * (start + lasting / 2 - middle) > 1e-6 * (1 + Math.abs(middle)));
  if (!next) return;
  height.value = "view";  // a small pulse is to be seen
  glide(next[0] - 0.7 * next[1], next[0] + 1.7 * next[1]);
}

function nextHeight() {
  height.selectedIndex = (height.selectedIndex + 1) % height.length;
  later();
}

const KEYS = {
  ArrowLeft: () => glide(...moved(-SHIFT)),
  ArrowRight: () => glide(...moved(SHIFT)),
  "+": () => glide(...zoomed(ZOOM)),
  "=": () => glide(...zoomed(ZOOM)),
  "-": () => glide(...zoomed(1 / ZOOM)),
  0: () => glide(whole.from, whole.to),
  Home: () => glide(whole.from, whole.to),
  n: () => toPulse(1),
  p: () => toPulse(-1),
  v: nextHeight,
};

plot.addEventListener("keydown", event => {
  const act = event.ctrlKey || event.metaKey || event.altKey ? null : KEYS[event.key];
  if (!act) return;
  event.preventDefault();
  act();
});

const BUTTONS = { in: KEYS["+"], out: KEYS["-"], whole: KEYS[0], next: KEYS.n, previous: KEYS.p };
for (const [id, act] of Object.entries(BUTTONS)) document.getElementById(id)?.addEventListener("click", act);
height.addEventListener("change", later);

function timeAt(px, target = plot) {
  const { left, right } = layout(), span = target === overview ? whole : view;
  return span.from + (px - left) / (right - left) * (span.to - span.from);
}

const near = event => event.clientX - plot.getBoundingClientRect().left;

plot.addEventListener("wheel", event => {
  const sideways = Math.abs(event.deltaX) > Math.abs(event.deltaY);
  const all = view.to - view.from >= whole.to - whole.from;
  if (all && (sideways || event.deltaY > 0)) return;  // nothing to do here: the page scrolls
  event.preventDefault();
  const pixels = event.deltaMode === 1 ? 16 : 1;
  if (sideways) show(...moved(event.deltaX * pixels / plot.clientWidth));
  else show(...zoomed(Math.exp(-event.deltaY * pixels / 300), timeAt(near(event))));
}, { passive: false });

plot.addEventListener("dblclick", event => glide(...zoomed(4, timeAt(near(event)))));

// One pointer moves, two zoom: the instants under them stay there.
const pointers = new Map();
plot.addEventListener("pointerdown", event => {
  cancelAnimationFrame(gliding);
  plot.setPointerCapture(event.pointerId);
  if (event.shiftKey) picked = { from: near(event), to: near(event) };
  else pointers.set(event.pointerId, { t: timeAt(near(event)), x: near(event) });
});
plot.addEventListener("pointermove", event => {
  hair = event.pointerType === "touch" ? null : near(event);
  if (picked) picked.to = near(event);
  const held = pointers.get(event.pointerId);
  if (held) {
    held.x = near(event);
    const { left, right } = layout(), all = [...pointers.values()].sort((a, b) => a.x - b.x);
    const [a, b] = [all[0], all.at(-1)];
    const rate = a !== b && b.x - a.x > 10 && b.t > a.t ? (b.t - a.t) / (b.x - a.x) : (view.to - view.from) / (right - left);
    const from = a.t - (a.x - left) * rate;
    if (a === b) show(...moved((from - view.from) / (view.to - view.from)));
    else show(from, from + (right - left) * rate);
  }
  later();
});
function released(event) {
  pointers.delete(event.pointerId);
  for (const held of pointers.values()) held.t = timeAt(held.x);
  if (picked && Math.abs(picked.to - picked.from) > 5) {
    const [from, to] = [picked.from, picked.to].sort((a, b) => a - b);
    glide(timeAt(from), timeAt(to));
  }
  picked = null;
  later();
}
plot.addEventListener("pointerup", released);
plot.addEventListener("pointercancel", released);
plot.addEventListener("pointerleave", () => { hair = null; later(); });

function centre(event) {
  if (event.type === "pointermove" && !event.buttons) return;
  const t = timeAt(event.clientX - overview.getBoundingClientRect().left, overview), half = (view.to - view.from) / 2;
  const middle = Math.min(Math.max(t, whole.from + half), whole.to - half);
  show(middle - half, middle + half);
}
overview.addEventListener("pointerdown", centre);
overview.addEventListener("pointermove", centre);

new ResizeObserver(later).observe(plot);
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", later);
later();
