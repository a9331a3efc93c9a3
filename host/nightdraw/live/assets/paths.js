"use strict";
// The instructor's view: each student's path over the vehicle's time, beside the quickest way.

const { words } = JSON.parse(document.getElementById("told").textContent);
const EVERY_MS = 2000, WIDE = 1000, HIGH = 34;
const fill = (text, told) => text.replace(/\{(\w+)\}/g, (all, key) => told[key] ?? all);
const heading = el("p", {}), main = el("main.paths", {});
let shown = "";

document.body.append(el("header", {}, el("h1", {}, words.title), heading, el("p.net", {}, words.only)), main);

function span(s) {
  if (s === null || s === undefined) return words.not_yet;
  return s < 120 ? `${Math.round(s)} s` : s < 7200 ? `${(s / 60).toFixed(1)} min` : `${(s / 3600).toFixed(1)} h`;
}

function clock(text) {
  const [day, ...rest] = text.split(" ");
  return fill(words.clock, { day, clock: rest.join(" ") });
}

/** When a student made the last move; until there is one, the vehicle's time. */
const last = one => one.moves.length ? one.moves.at(-1).t_s : one.t_s;

/** A bar over time: strokes for moves, a ring for the answer; or a block for what is expected. */
function bar(most, label, draw) {
  const made = svg(WIDE, HIGH, label, "");
  const add = (name, attributes) => {
    const node = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
    made.append(node);
  };
  add("path", { class: "thin", d: `M0 ${HIGH - 6}H${WIDE}` });
  draw(add, t => Math.min(1, t / most) * (WIDE - 16) + 8);
  return made;
}

function student(one, n, group, most) {
  const label = fill(words.student, { n });
  const said = [one.here ? words.here : words.gone, clock(one.clock), fill(words.at_fuse, { fuse: group.fuse, at: span(one.path.at_fuse_s) })];
  if (one.answer) said.push(fill(words.answered, { at: span(one.path.answered_s), circuit: one.answer.circuit || "\u2013", right: one.right ? words.right : words.wrong }));
  const open = openNow.has(`${group.group} ${n}`);
  const list = el("details", { open, ontoggle: event => openNow[event.target.open ? "add" : "delete"](`${group.group} ${n}`) },
    el("summary", {}, fill(words.moves, { n: one.path.moves })),
    el("ol.log", {}, ...one.moves.map(move => el("li", {}, el("time", {}, span(move.t_s)), el("span", {}, tell(move))))));
  return el("div.tool", {}, el("h3", {}, label), el("p.note", {}, said.join(" \u00b7 ")), bar(most, `${label}: ${said.join(", ")}`, (add, x) => {
    add("rect", { class: "plate", x: x(0), y: HIGH - 12, width: Math.max(2, x(last(one)) - x(0)), height: 12 });
    for (const move of one.moves) add("path", { class: move.at_fuse ? "mark" : "line", d: `M${x(move.t_s)} ${HIGH - 22}V${HIGH}` });
    for (const move of one.moves.filter(each => each.do === "answer")) add("circle", { class: "mark", cx: x(move.t_s), cy: 8, r: 5 });
  }), list);
}

const openNow = new Set();

/** A move in words: the first of its texts whose places are all known. */
function tell(move) {
  const told = { ...move, inputs: (move.inputs || []).filter(Boolean).map(one => one.at).join(", ") };
  const name = `move.${move.do.replace(" ", "_")}`;
  const known = text => text && [...text.matchAll(/\{(\w+)\}/g)].every(([, key]) => (told[key] ?? "") !== "");
  return fill([words[name], words[`${name}_else`]].find(known) ?? move.do, told);
}

function way(group, most) {
  if (group.failed) return el("p.note", {}, fill(words.failed, { why: group.failed }));
  if (!group.known) return el("p.note", {}, words.working);
  const best = group.quickest;
  if (!best) return el("p.note", {}, words.nothing);
  const text = fill(words.expected, { expected: span(best.expected_s), p95: span(best.p95_s) });
  return el("div.tool", {}, el("h3", {}, fill(words.quickest, { method: best.method })), el("p.note", {}, `${text}. ${best.why}`),
    bar(most, text, (add, x) => {
      add("rect", { class: "plate", x: x(0), y: HIGH - 12, width: x(best.p95_s) - x(0), height: 12 });
      add("rect", { class: "dot", x: x(0), y: HIGH - 12, width: x(best.expected_s) - x(0), height: 12 });
    }));
}

function draw(told) {
  const key = JSON.stringify(told);
  if (key === shown) return;
  shown = key;
  heading.textContent = fill(words.plan, told);
  main.replaceChildren(el("p.note.wide", {}, words.legend), ...told.groups.map(group => {
    const most = Math.max(60, group.quickest ? group.quickest.p95_s : 0, ...group.students.map(last));
    return el("section.wide", {}, el("h2", {}, fill(words.group, group)), way(group, most),
      ...(group.students.length ? group.students.map((one, k) => student(one, k + 1, group, most)) : [el("p.note", {}, words.nobody)]));
  }));
  document.body.dataset.ready = "yes";
}

async function look() {
  try {
    const answer = await fetch("paths.json");
    if (answer.ok) draw(await answer.json());
  } catch { /* the server is gone for now: the next look tells */ }
  setTimeout(look, EVERY_MS);
}

look();
