"use strict";
// Draws the vehicle: the car from above, the battery's end of the circuit, feeds with their fuse boxes.
// It builds everything once; show(now) then changes what differs. Symbols are those of circuit diagrams.

const SVG = "http://www.w3.org/2000/svg";

/** An element: el("p.class", {attribute: value, onclick: f}, children...). */
function el(name, attributes = {}, ...children) {
  const [tag, ...classes] = name.split(".");
  const made = document.createElement(tag);
  if (classes.length) made.className = classes.join(" ");
  for (const [key, value] of Object.entries(attributes)) {
    if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
    else if (value === true) made.setAttribute(key, "");
    else if (value !== false && value !== null && value !== undefined) made.setAttribute(key, value);
  }
  made.append(...children.filter(child => child !== null && child !== undefined));
  return made;
}

/** Hide or show a control; who stood on it with the keyboard comes to stand on what takes its place. */
function hide(node, hidden) {
  const stood = hidden && document.activeElement === node;
  put(node, "hidden", hidden);
  if (stood) [...node.parentElement.children].find(one => one !== node && !one.hidden && !one.disabled && one.focus)?.focus();
}

function svg(width, height, label, inside) {
  const made = document.createElementNS(SVG, "svg");
  made.setAttribute("viewBox", `0 0 ${width} ${height}`);
  if (label) { made.setAttribute("role", "img"); made.setAttribute("aria-label", label); }
  else made.setAttribute("aria-hidden", "true");
  made.innerHTML = inside; // our own text only: nothing of a file goes in here
  return made;
}

/** Change a property only where it differs: a control that is looked at keeps its state. */
function put(node, key, value) { if (node[key] !== value) node[key] = value; }

function fuseSymbol() {
  // a rectangle with the conductor through it, between two contacts; it lifts when it is out
  return svg(110, 26, "", '<path class="line" d="M0 17H22M88 17H110"/><circle class="dot" cx="22" cy="17" r="2.6"/>' +
    '<circle class="dot" cx="88" cy="17" r="2.6"/><g class="element move"><rect class="plate" x="30" y="10" width="50" height="14"/>' +
    '<path class="line wireline" d="M22 17H88"/></g><g class="splices"></g>');
}

function carSymbol() {
  // a car of no make from above, its nose to the right; one door, one lamp inside
  return svg(240, 138, "", '<rect class="line" x="12" y="24" width="216" height="76" rx="26"/>' +
    '<path class="thin" d="M168 30Q184 62 168 94M66 32Q54 62 66 92M72 36H160M72 88H160"/>' +
    '<path class="thin" d="M228 44l6 4M228 80l6 -4"/>' +
    '<circle class="lamp" cx="116" cy="62" r="8"/>' +
    '<path class="line door move" d="M150 100H96"/><circle class="dot" cx="150" cy="100" r="3"/>' +
    '<g class="engine"><rect class="plate" x="184" y="50" width="24" height="24" rx="3"/><path class="thin turn" d="M190 62a6 6 0 1 1 6 6"/></g>');
}

function batterySymbol() {
  // plates; from the positive one the wire to all feeds, from the negative one the cable to ground
  return svg(400, 124, "", '<path class="line" d="M120 24V10H0"/><path class="line" d="M98 24H142"/>' +
    '<path class="line" d="M108 32H132"/><path class="line" d="M98 40H142"/><path class="line" d="M108 48H132"/>' +
    '<text x="146" y="28" class="small">+</text><text x="146" y="52" class="small">\u2013</text>' +
    '<path class="line cable" d="M120 48V104"/><path class="line" d="M104 104H136M110 110H130M116 116H124"/>' +
    '<g class="inline" visibility="hidden"><circle class="plate" cx="120" cy="84" r="14"/><text x="120" y="89" text-anchor="middle" class="marktext">A</text></g>' +
    '<g class="ring" visibility="hidden"><ellipse class="mark" cx="120" cy="60" rx="15" ry="5"/></g>' +
    '<text class="small ringtext" x="142" y="68"></text><text class="volts" x="170" y="30"></text><text class="small kind" x="170" y="48"></text><text class="small second" x="170" y="64"></text>');
}

class Vehicle {
  constructor(scene, words, ask) {
    this.scene = scene;
    this.words = words;
    this.fuses = new Map();
    this.feeds = new Map();
    this.car = el("div", {}, carSymbol());
    this.battery = el("div", {}, batterySymbol());
    this.battery.querySelector(".kind").textContent = scene.battery;
    if (scene.second) this.battery.querySelector(".second").textContent = words.second.replace("{battery}", scene.second);
    const warned = scene.warnings.length ? el("div.caution", { role: "note" }, el("ul", {}, ...scene.warnings.map(text => el("li", {}, text)))) : "";
    this.door = el("button", { type: "button", onclick: () => ask({ do: "door", word: this.now.door ? "closes" : "opens" }) });
    this.lock = el("button", { type: "button", onclick: () => ask({ do: "car", word: this.now.locked ? "unlocked" : "locked" }) });
    this.latch = el("button", { type: "button", onclick: () => ask({ do: "latch", word: this.now.latch ? "closes" : "opens" }) });
    this.near = el("button", { type: "button", onclick: () => ask({ do: "key", word: this.now.key ? "away" : "near" }) });
    this.ignition = el("select", { onchange: event => ask({ do: "ignition", word: event.target.value }) },
      ...scene.ignition.map(word => el("option", { value: word }, words[`ignition_${word}`])));
    this.key = el("button", { type: "button", onclick: () => ask({ do: "engine", for_s: Number(this.runs.value) }) }, words.key);
    this.runs = el("select", { "aria-label": words.runs },
      ...[60, 300, 1200].map(s => el("option", { value: s }, words.minutes.replace("{n}", s / 60))));
    this.charger = el("button", { type: "button", onclick: () => ask({ do: "charger", word: this.now.charger ? "off" : "on" }) });
    const buttons = el("div.row", {}, this.door, this.latch, this.lock, this.near, el("label", {}, words.ignition, this.ignition));
    if (scene.engine) buttons.append(this.key, this.runs);
    if (scene.charger) buttons.append(this.charger);
    this.seen = el("p.note", {});
    this.node = el("section", { "aria-labelledby": "h-vehicle" }, el("h2", { id: "h-vehicle" }, words.vehicle),
      warned, el("div.body", {}, this.car, el("div", {}, buttons, this.seen)),
      el("div.circuit", {}, this.battery, ...scene.feeds.map(feed => this.feed(feed, ask))));
  }

  feed(feed, ask) {
    const ring = el("p.note", { hidden: true });
    const wire = el("div.wire", {}, el("h3", {}, this.words.feed.replace("{feed}", feed.feed)), ring);
    if (feed.main) wire.append(this.fuse({ ...feed.main, splices: 0 }, ask));
    this.feeds.set(feed.feed, ring);
    return el("div.feed", { role: "group", "aria-label": this.words.feed.replace("{feed}", feed.feed) }, wire,
      el("div.box", {}, ...feed.fuses.map(fuse => this.fuse(fuse, ask))));
  }

  fuse(fuse, ask) {
    const name = fuse.fuse, symbol = fuseSymbol();
    const dots = symbol.querySelector(".splices");
    for (let k = 0; k < fuse.splices; k++)
      dots.innerHTML += `<circle class="dot" cx="${98 + 7 * k}" cy="17" r="3"/><path class="line" d="M${98 + 7 * k} 17v9"/>`;
    const move = el("button", { type: "button", onclick: () => ask({ do: this.now.pulled.includes(name) ? "back" : "pull", fuse: name }) });
    const leads = this.scene.kit.leads
      ? el("button", { type: "button", onclick: () => ask({ do: "leads", fuse: this.now.places.leads === name ? null : name }) }, "mV") : null;
    if (leads) leads.setAttribute("aria-label", this.words.leads_on.replace("{fuse}", name));
    const why = el("p.why", { hidden: true }, this.words.blown);
    const names = fuse.names && fuse.names.length ? el("p.names", {}, this.words.splice.replace("{names}", fuse.names.join(", "))) : null;
    const node = el("div.fuse", { role: "group", "aria-label": this.words.fuse.replace("{fuse}", name) },
      el("h4", {}, name, el("span", {}, `${fuse.rating} A${fuse.type ? " " + fuse.type : ""}`)), symbol, why, names,
      el("div.row", {}, move, leads));
    this.fuses.set(name, { node, move, leads, why });
    return node;
  }

  show(now) {
    this.now = now;
    const words = this.words, door = this.car.querySelector(".door");
    door.style.transform = now.door ? "rotate(-40deg)" : "";
    door.style.transformOrigin = "150px 100px";
    this.car.classList.toggle("lit", now.lamps > 0);
    this.car.querySelector(".turn").classList.toggle("gone", now.engine);
    put(this.door, "textContent", now.door ? words.door_close : words.door_open);
    put(this.lock, "textContent", now.locked ? words.unlock : words.lock);
    put(this.latch, "textContent", now.latch ? words.latch_close : words.latch_open);
    put(this.near, "textContent", now.key ? words.key_away : words.key_near);
    if (document.activeElement !== this.ignition) put(this.ignition, "value", now.ignition);
    put(this.key, "disabled", now.engine);
    put(this.charger, "textContent", now.charger ? words.charger_off : words.charger_on);
    const seen = [now.door ? words.is_door : words.is_closed, now.locked ? words.is_locked : words.is_unlocked];
    if (now.latch !== now.door) seen.push(now.latch ? words.is_latch_open : words.is_latch_closed);
    seen.push(now.key ? words.is_key_near : words.is_key_away);
    if (now.lamps) seen.push(words.is_lit);
    if (now.engine) seen.push(words.is_engine);
    if (now.charger) seen.push(words.is_charger);
    put(this.seen, "textContent", seen.join(" \u00b7 "));
    const volts = this.battery.querySelector(".volts");
    put(volts, "textContent", `${now.volts.toFixed(2)} V`);
    const around = place => Object.entries(now.places).filter(([name, at]) => name.startsWith("clamp") && at === place).map(([name]) => name);
    const here = around("battery");
    this.battery.querySelector(".ring").setAttribute("visibility", here.length ? "visible" : "hidden");
    put(this.battery.querySelector(".ringtext"), "textContent", here.map(words.clamp_name).join(", "));
    this.battery.querySelector(".inline").setAttribute("visibility", now.meter.in ? "visible" : "hidden");
    this.battery.querySelector(".cable").classList.toggle("gone", now.meter.in && now.meter.blown);
    for (const [feed, ring] of this.feeds) {
      const on = around(feed);
      put(ring, "hidden", !on.length);
      put(ring, "textContent", on.map(name => words.ring.replace("{clamp}", words.clamp_name(name))).join(", "));
    }
    for (const [name, fuse] of this.fuses) {
      const out = now.pulled.includes(name), led = now.places.leads === name;
      fuse.node.classList.toggle("out", out);
      fuse.node.classList.toggle("led", led);
      put(fuse.why, "hidden", !now.blown.includes(name));
      put(fuse.move, "textContent", out ? (now.blown.includes(name) ? words.renew : words.back) : words.pull);
      fuse.move.setAttribute("aria-label", `${fuse.move.textContent} ${name}`);
      if (fuse.leads) fuse.leads.setAttribute("aria-pressed", led);
    }
  }
}
