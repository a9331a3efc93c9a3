"use strict";
// The recorder's screen: a strip for each channel over one axis of time. The server sends columns with lowest
// and highest value; what is asked for is a view (from, how long, how many columns).

const STRIP_HIGH = 96, AXIS_HIGH = 26, ZOOM = 1.6, SHIFT = 0.2, LEAST_S = 0.01, MOST_COLUMNS = 1500;

class Screen {
  constructor(words, ask) {
    this.words = words;
    this.ask = ask;
    this.view = { from_s: null, for_s: 60, follow: "end" };
    this.plot = null;
    this.strips = [];
    this.node = el("div.strips", { tabindex: 0, role: "application", "aria-label": words.screen, "aria-describedby": "screen-keys",
      "data-empty": words.screen_empty });
    this.told = el("output", { "aria-live": "off" });
    this.node.addEventListener("keydown", event => this.key(event));
    this.node.addEventListener("wheel", event => this.wheel(event), { passive: false });
    new ResizeObserver(() => this.resize()).observe(this.node);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { this.drop(); this.draw(); });
  }

  wide() { return Math.max(200, this.node.clientWidth - 2); }

  /** Ask for a view; the server then keeps it up to date. */
  look(change = {}) {
    Object.assign(this.view, change);
    const columns = Math.max(50, Math.min(MOST_COLUMNS, Math.round(this.wide() - 70)));
    this.ask({ do: "view", columns, ...this.view });
  }

  resize() {
    const wide = this.wide();
    if (wide === this.last) return;
    this.last = wide;
    for (const strip of this.strips) strip.chart.setSize({ width: wide, height: strip.high });
    this.look();
  }

  from() { return this.plot ? this.plot.begin_s : 0; }

  zoom(factor, at = 0.5) {
    const for_s = Math.min(Math.max(this.view.for_s * factor, LEAST_S), 1e6);
    if (this.view.from_s === null) return this.look({ for_s });
    return this.look({ for_s, from_s: this.view.from_s + (this.view.for_s - for_s) * at });
  }

  shift(share) { this.look({ from_s: this.from() + share * this.view.for_s }); }

  whole() { if (this.plot) this.look({ from_s: 0, for_s: Math.max(this.plot.end_s, LEAST_S) }); }

  follow(what) { this.look({ from_s: null, follow: what }); }

  key(event) {
    const moves = { ArrowLeft: () => this.shift(-SHIFT), ArrowRight: () => this.shift(SHIFT), "+": () => this.zoom(1 / ZOOM),
      "-": () => this.zoom(ZOOM), 0: () => this.whole(), End: () => this.follow("end"), t: () => this.follow("trigger") };
    if (!moves[event.key] || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    moves[event.key]();
  }

  wheel(event) {
    if (!this.plot || !event.ctrlKey && Math.abs(event.deltaY) < 4) return;
    if (document.activeElement !== this.node && !event.ctrlKey) return; // else the page scrolls
    event.preventDefault();
    const box = this.node.getBoundingClientRect();
    if (this.view.from_s === null) this.view.from_s = this.from();
    this.zoom(event.deltaY > 0 ? ZOOM : 1 / ZOOM, (event.clientX - box.left - 60) / (this.wide() - 70));
  }

  /** A picture from the server: one line of JSON, then numbers. */
  take(buffer) {
    const bytes = new Uint8Array(buffer), end = bytes.indexOf(10);
    const plot = JSON.parse(new TextDecoder().decode(bytes.subarray(0, end))).plot;
    if (plot) plot.numbers = new Float32Array(buffer.slice(end + 1));
    this.plot = plot;
    if (!this.waiting) { this.waiting = true; requestAnimationFrame(() => { this.waiting = false; this.draw(); }); }
  }

  drop() {
    for (const strip of this.strips) { strip.chart.destroy(); strip.node.remove(); }
    this.strips = [];
  }

  draw() {
    const plot = this.plot;
    const key = plot ? plot.columns.join() : "";
    if (key !== this.made) { this.drop(); this.made = key; }
    if (!plot) return;
    if (!this.strips.length) this.strips = plot.columns.map((name, k) => this.strip(name, k, plot.columns.length));
    const count = plot.edges_s.length - 1, single = count > 0 && plot.edges_s[count] - plot.edges_s[0] <= (count + 0.5) / plot.rate;
    for (const [k, strip] of this.strips.entries()) {
      const low = plot.numbers.subarray(2 * k * count, (2 * k + 1) * count), high = plot.numbers.subarray((2 * k + 1) * count, (2 * k + 2) * count);
      const scale = strip.per, x = [], y = [];
      for (let i = 0; i < count; i++) {
        const t = plot.edges_s[i];
        x.push(t); y.push(low[i] * scale);
        if (!single && high[i] !== low[i]) { x.push(t); y.push(high[i] * scale); }
      }
      strip.window = [plot.begin_s, plot.begin_s + plot.for_s];
      strip.chart.setData([x, y], true);
      let least = Infinity, most = -Infinity;
      for (let i = 0; i < count; i++) { least = Math.min(least, low[i]); most = Math.max(most, high[i]); }
      strip.told.textContent = count ? this.words.spans.replace("{low}", figure(least * scale)).replace("{high}", figure(most * scale)).replace("{unit}", strip.unit) : "";
    }
    this.told.textContent = this.words.window.replace("{from}", figure(plot.begin_s)).replace("{to}", figure(plot.begin_s + plot.for_s))
      .replace("{end}", figure(plot.end_s));
  }

  strip(column, k, count) {
    const unit = column.endsWith("_mv") ? "mV" : "mA", per = unit === "mA" ? 1000 : 1;
    const name = column.replace(/_(a|mv)$/, "");
    const told = el("output", {});
    const node = el("div.strip", {}, el("h3", {}, `${k + 1}  ${name}, ${unit}`, told));
    this.node.append(node);
    const style = getComputedStyle(document.documentElement), colour = key => style.getPropertyValue(`--${key}`).trim();
    const axis = { stroke: colour("ink"), grid: { stroke: colour("rule"), width: 1 }, ticks: { stroke: colour("rule"), width: 1 },
      font: "12px system-ui, 'Liberation Sans', Arial, sans-serif" };
    const found = { unit, per, node, told, window: [0, 1] };
    const last = k === count - 1, high = STRIP_HIGH + (last ? AXIS_HIGH : 0);
    found.high = high;
    found.chart = new uPlot({
      width: this.wide(), height: high, legend: { show: false }, padding: [8, 14, 0, 0],
      cursor: { sync: { key: "recorder" }, drag: { x: true, y: false, setScale: false }, points: { show: false } },
      scales: { x: { time: false, range: () => found.window }, y: { range: (u, low, high) => low === null ? [0, 1] : spread(low, high) } },
      axes: [{ ...axis, size: last ? AXIS_HIGH : 0, values: (u, ticks) => ticks.map(t => last ? `${figure(t)} s` : "") },
        { ...axis, size: 60, space: 24, values: (u, ticks) => ticks.map(figure) }],
      series: [{}, { stroke: colour(unit === "mA" ? "ma" : "mv"), width: 1.2, points: { show: false } }],
      hooks: { setSelect: [u => this.select(u)], draw: [u => this.marks(u, colour("pulse"))] },
    }, [[], []], node);
    found.chart.over.addEventListener("dblclick", () => this.whole());
    return found;
  }

  /** Where the trigger found its level. */
  marks(u, colour) {
    if (!this.plot) return;
    const ctx = u.ctx;
    ctx.save();
    ctx.strokeStyle = colour;
    ctx.setLineDash([4, 4]);
    for (const t of this.plot.triggers_s.slice(-20)) {
      const x = Math.round(u.valToPos(t, "x", true)) + 0.5;
      ctx.beginPath();
      ctx.moveTo(x, u.bbox.top);
      ctx.lineTo(x, u.bbox.top + u.bbox.height);
      ctx.stroke();
    }
    ctx.restore();
  }

  select(u) {
    if (u.select.width < 6) return;
    const from_s = u.posToVal(u.select.left, "x"), to_s = u.posToVal(u.select.left + u.select.width, "x");
    u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
    this.look({ from_s, for_s: Math.max(to_s - from_s, LEAST_S) });
  }
}

function spread(low, high) {
  const free = 0.08 * (high - low) || Math.max(Math.abs(high) * 0.1, 0.5);
  return [low - free, high + free];
}

/** A number as one reads it: four digits, no noise of binary fractions. */
function figure(value) {
  if (value === null || value === undefined || !Number.isFinite(value)) return "\u2013";
  const size = Math.abs(value);
  return String(Number(size >= 1000 ? value.toFixed(size >= 100000 ? 0 : 1) : value.toPrecision(4)));
}
