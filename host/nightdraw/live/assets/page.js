"use strict";
// The page: a socket to the server, the vehicle, the instruments, the recorder, what happened. It shows and
// asks; what a move does is decided on the server. Lost connections are taken up again, at the same seat.

const told = JSON.parse(document.getElementById("told").textContent);
const { scene, words, fields } = told;
words.clamp_name = name => words.clamp_n.replace("{n}", name.split(" ")[1]);
const SEAT = `seat ${location.pathname}`;
const RETRY_MS = [300, 1000, 3000, 5000];

// ---- the socket

const answerLink = el("a", { href: "#", hidden: true, download: true }, words.save_answer);
let socket = null, tries = 0, number = 0, now = null;
const connection = el("p.net", { role: "status" });
const refused = el("div.refused", { role: "alert", hidden: true });

function connect() {
  const address = new URL("live", location.href);
  address.protocol = address.protocol.replace("http", "ws");
  const seat = sessionStorage.getItem(SEAT);
  if (seat) address.searchParams.set("seat", seat);
  socket = new WebSocket(address);
  socket.binaryType = "arraybuffer";
  socket.onmessage = event => typeof event.data === "string" ? hear(JSON.parse(event.data)) : screen.take(event.data);
  socket.onopen = () => { tries = 0; connection.textContent = words.connected; screen.look(); };
  socket.onclose = () => {
    connection.textContent = words.lost;
    setTimeout(connect, RETRY_MS[Math.min(tries++, RETRY_MS.length - 1)]);
  };
}

function ask(message) {
  if (!socket || socket.readyState !== WebSocket.OPEN) return;
  if (message.do !== "view") refused.hidden = true;
  socket.send(JSON.stringify({ ...message, id: ++number }));
}

function hear(message) {
  if (message.seat) {
    sessionStorage.setItem(SEAT, message.seat);
    for (const form of ["csv", "parquet"]) saves[form].href = `recording.${form}?seat=${encodeURIComponent(message.seat)}`;
    answerLink.href = `answer.json?seat=${encodeURIComponent(message.seat)}`;
    showBoxes(message.boxes);
  }
  if (message.no) {
    refused.querySelector("span").textContent = message.no;
    refused.hidden = false;
  }
  if (message.full) connection.textContent = message.full;
  if (message.now) show(message.now);
}

/** A length of time in the largest unit that it fills. */
function span(s) { return s >= 3600 ? `${s / 3600} h` : s >= 60 ? `${s / 60} min` : `${s} s`; }

// ---- time

const clock = el("b", {});
const ahead = el("span.ahead", { role: "status" });
const speed = el("select", { id: "speed", onchange: event => ask({ do: "speed", speed: Number(event.target.value) }) },
  ...[1, 2, 5, 10, 30, 60, 120, 300, 600].map(s => el("option", { value: s }, `${s} \u00d7`)));
const long = el("select", { "aria-label": words.how_long }, ...[60, 300, 900, 3600, 28800].map(s => el("option", { value: s }, span(s))));
const until = el("input", { type: "text", value: "07:00", size: 5, "aria-label": words.clock_time, maxlength: 5 });
const waits = [
  el("button", { type: "button", onclick: () => ask({ do: "wait", for_s: Number(long.value) }) }, words.wait_for), long,
  el("button", { type: "button", onclick: () => ask({ do: "wait", until: until.value.trim() }) }, words.wait_until), until,
  el("button", { type: "button", onclick: () => ask({ do: "wait", until: "change" }) }, words.wait_change),
];
const cancel = el("button.strong", { type: "button", hidden: true, onclick: () => ask({ do: "cancel" }) }, words.wait_cancel);
const time = el("section.time.row", { "aria-label": words.time }, clock, el("label", {}, words.speed, speed), ...waits, ahead, cancel);

// ---- instruments

/** A display: its reading large, MIN and MAX beside it. */
function display(unit, step) {
  const strong = el("strong", {}, "\u2013"), low = el("span", {}), high = el("span", {});
  const node = el(`div.reading.${unit === "mA" ? "ma" : "mv"}`, {}, strong, low, high);
  return {
    node,
    show(shown) {
      const digits = Math.max(0, Math.min(4, -Math.floor(Math.log10(step()) + 1e-9)));
      const text = value => value === null ? words.overload : `${value.toFixed(digits)} ${unit}`;
      const some = shown && shown.count;
      put(strong, "textContent", some ? text(shown.now) : "\u2013");
      put(low, "textContent", some && shown.min !== null ? `MIN ${text(shown.min)}` : "");
      put(high, "textContent", some ? `MAX ${text(shown.max)}` : "");
    },
  };
}

function amount(ma) { return ma >= 1000 ? `${figure(ma / 1000)} A` : `${figure(ma)} mA`; }
function ohms(value) { return value < 1 ? `${figure(value * 1000)} m\u03a9` : `${figure(value)} \u03a9`; }

const kit = scene.kit, panels = [], shows = [];

function meter() {
  const face = display("mA", () => kit.ranges[now.meter.range].step_ma);
  const range = el("select", { onchange: event => ask({ do: "meter range", range: Number(event.target.value) }) },
    ...kit.ranges.map((one, k) => el("option", { value: k }, `${amount(one.most_ma)}, ${ohms(one.ohms)}`)));
  const bridged = el("button", { type: "button", onclick: () => ask({ do: "meter in", range: Number(range.value), bridged: true }) }, words.meter_in);
  const bare = el("button", { type: "button", onclick: () => ask({ do: "meter in", range: Number(range.value), bridged: false }) }, words.meter_bare);
  const out = el("button", { type: "button", onclick: () => ask({ do: "meter out" }) }, words.meter_out);
  const reset = el("button", { type: "button", onclick: () => ask({ do: "reset", at: "meter" }) }, words.reset);
  const mend = el("button", { type: "button", onclick: () => ask({ do: "meter mend" }) }, words.mend);
  const state = el("p.note", {});
  panels.push(el("div.tool", { role: "group", "aria-label": words.meter }, el("h3", {}, words.meter), face.node, state,
    el("div.row", {}, el("label", {}, words.range, range), reset), el("div.row", {}, bridged, bare, out, mend)));
  shows.push(() => {
    face.show(now.shown.meter);
    if (document.activeElement !== range) put(range, "value", String(now.meter.range));
    const inside = now.meter.in;
    for (const [node, hidden] of inside ? [[out, false], [bridged, true], [bare, true]] : [[bridged, false], [bare, false], [out, true]])
      hide(node, hidden);
    put(reset, "disabled", !inside);
    hide(mend, !now.meter.blown || inside);
    put(state, "textContent", now.meter.blown ? words.meter_gone : inside ? words.meter_is_in : words.meter_is_out);
  });
}

function clamp(k) {
  const name = `clamp ${k}`, face = display("mA", () => kit.clamp_step_ma);
  const place = el("select", { onchange: event => ask({ do: "clamp", clamp: k, at: event.target.value || null }) },
    el("option", { value: "" }, words.nowhere), el("option", { value: "battery" }, words.at_battery),
    ...scene.feeds.map(feed => el("option", { value: feed.feed }, words.feed.replace("{feed}", feed.feed))));
  const zero = el("button", { type: "button", onclick: () => ask({ do: "zero", clamp: k }) }, words.zero);
  const state = el("p.note", {});
  const reset = el("button", { type: "button", onclick: () => ask({ do: "reset", at: name }) }, words.reset);
  const title = kit.clamps > 1 ? words.clamp_name(name) : words.clamp;
  panels.push(el("div.tool", { role: "group", "aria-label": title }, el("h3", {}, title), face.node, state,
    el("div.row", {}, el("label", {}, words.around, place), zero, reset)));
  shows.push(() => {
    face.show(now.shown[name]);
    put(place, "value", now.places[name] || "");
    put(reset, "disabled", !now.places[name]);
    put(state, "textContent", now.zeroed.includes(name) ? words.zeroed : words.not_zeroed);
  });
}

function allFuses() { return scene.feeds.flatMap(feed => [...(feed.main ? [feed.main.fuse] : []), ...feed.fuses.map(one => one.fuse)]); }

function leads() {
  const face = display("mV", () => kit.leads_step_mv);
  const place = el("select", { onchange: event => ask({ do: "leads", fuse: event.target.value || null }) },
    el("option", { value: "" }, words.nowhere), ...allFuses().map(name => el("option", { value: name }, name)));
  const reset = el("button", { type: "button", onclick: () => ask({ do: "reset", at: "leads" }) }, words.reset);
  panels.push(el("div.tool", { role: "group", "aria-label": words.leads }, el("h3", {}, words.leads), face.node,
    el("div.row", {}, el("label", {}, words.across, place), reset)));
  shows.push(() => {
    face.show(now.shown.leads);
    put(place, "value", now.places.leads || "");
    put(reset, "disabled", !now.places.leads);
  });
}

if (kit.ranges) meter();
for (let k = 1; k <= kit.clamps; k++) clamp(k);
if (kit.leads) leads();

// ---- the recorder

const screen = new Screen(words, ask);
const saves = Object.fromEntries([["csv", "CSV"], ["parquet", "Parquet"]].map(([form, name]) => [form, el("a", { href: "#" }, name)]));

function recorder() {
  const own = kit.recorder;
  const places = [...Array.from({ length: kit.clamps }, (_, k) => `clamp ${k + 1}`), ...allFuses()];
  const rows = Array.from({ length: own.inputs }, (_, k) => {
    const place = el("select", { "aria-label": words.input.replace("{n}", k + 1), onchange: send }, el("option", { value: "" }, words.free),
      ...places.map(name => el("option", { value: name }, name.startsWith("clamp ") ? words.clamp_name(name) : name)));
    const range = el("select", { "aria-label": words.input_range.replace("{n}", k + 1), onchange: send }, el("option", { value: "" }, words.usual_range),
      ...own.ranges_mv.map((mv, n) => el("option", { value: n }, mv >= 1000 ? `\u00b1${figure(mv / 1000)} V` : `\u00b1${figure(mv)} mV`)));
    return { place, range };
  });
  let touched = false, followed = ""; // touched: from a change until the server has it
  function send() {
    touched = true;
    setTimeout(() => { touched = false; }, 1000);
    const inputs = rows.filter(row => row.place.value)
      .map(row => ({ at: row.place.value, range: row.range.value === "" ? null : Number(row.range.value) }));
    ask({ do: "inputs", inputs });
  }
  /** Show what the server has: after a reload, and after a refused change. */
  function follow(inputs) {
    const key = JSON.stringify([inputs, rows.map(row => [row.place.value, row.range.value])]);
    if (key === followed || rows.some(row => [row.place, row.range].includes(document.activeElement))) return;
    rows.forEach((row, k) => {
      put(row.place, "value", inputs[k] ? inputs[k].at : "");
      put(row.range, "value", inputs[k] && inputs[k].range !== null ? String(inputs[k].range) : "");
    });
    followed = JSON.stringify([inputs, rows.map(row => [row.place.value, row.range.value])]);
  }
  const rate = el("select", {}, ...own.rates.map(hz => el("option", { value: hz }, hz >= 1000 ? `${hz / 1000} kHz` : `${hz} Hz`)));
  rate.value = own.rates.includes(1000) ? "1000" : String(own.rates.at(-1));
  const on = el("select", { "aria-label": words.trigger_on }, el("option", { value: "" }, words.no_trigger),
    ...rows.map((row, k) => el("option", { value: k }, words.input.replace("{n}", k + 1))));
  const turn = el("select", { "aria-label": words.trigger_turn }, el("option", { value: "rises" }, words.rises), el("option", { value: "falls" }, words.falls));
  const level = el("input", { type: "number", step: "any", value: 100, size: 6, "aria-label": words.trigger_level });
  const start = el("button.strong", { type: "button" }, words.record);
  start.addEventListener("click", () => {
    if (now.recorder.recording && now.recorder.recording.running) return ask({ do: "stop" });
    const trigger = on.value === "" ? null : { input: Number(on.value), turn: turn.value, level: Number(level.value) };
    if (trigger) {
      const chosen = now.recorder.inputs[trigger.input];
      if (chosen && chosen.column.endsWith("_a")) trigger.level /= 1000;
    }
    ask({ do: "record", rate: Number(rate.value), trigger });
    return screen.look({ from_s: null, for_s: Number(across.value), follow: trigger ? "trigger" : "end" });
  });
  const across = el("select", { onchange: event => screen.look({ for_s: Number(event.target.value), ...(screen.view.from_s === null ? {} : { from_s: screen.from() }) }) },
    ...[0.1, 1, 5, 20, 60, 300, 1200, 3600].map(s => el("option", { value: s }, span(s))));
  across.value = "60";
  const state = el("p.note", { role: "status" });
  const views = [["ArrowLeft", "\u2190", words.earlier], ["ArrowRight", "\u2192", words.later], ["+", "+", words.zoom_in], ["-", "\u2013", words.zoom_out],
    ["0", words.whole, words.whole], ["End", words.latest, words.latest], ["t", words.at_trigger, words.at_trigger]]
    .map(([key, text, name]) => el("button", { type: "button", "aria-label": name, onclick: () => screen.key({ key, preventDefault() {} }) }, text));
  const saved = el("span", { hidden: true }, words.save, " ", saves.csv, " ", saves.parquet);
  const node = el("section.wide", { "aria-labelledby": "h-recorder" }, el("h2", { id: "h-recorder" }, words.recorder),
    el("p.note", {}, words.recorder_is.replace("{inputs}", own.inputs).replace("{kind}", words[`kind_${own.kind.replace("-", "_")}`])),
    el("div.row", {}, ...rows.map((row, k) => el("label", {}, String(k + 1), row.place, row.range))),
    el("div.row", {}, el("label", {}, words.rate, rate), el("label", {}, words.trigger, on), turn, el("label", {}, level, words.trigger_unit), start, state),
    el("div.row", { role: "toolbar", "aria-label": words.view }, el("label", {}, words.across_screen, across), ...views, screen.told, saved),
    screen.node, el("p.note", { id: "screen-keys" }, words.keys));
  shows.push(() => {
    if (!touched) follow(now.recorder.inputs);
    const { recording, inputs, burnt } = now.recorder, running = Boolean(recording && recording.running);
    put(start, "textContent", running ? words.stop : words.record);
    put(start, "disabled", burnt || (!running && !inputs.length));
    for (const control of [rate, on, turn, level, ...rows.flatMap(row => [row.place, row.range])]) put(control, "disabled", running || burnt);
    put(saved, "hidden", !recording || !recording.count);
    let text = burnt ? words.is_burnt : "";
    if (recording) {
      text = (running ? words.is_recording : recording.full ? words.is_full : words.has_recorded)
        .replace("{time}", figure(Math.floor(recording.count / recording.rate))).replace("{count}", recording.count.toLocaleString("en")) +
        (recording.triggers ? ` ${words.triggers.replace("{n}", recording.triggers)}` : "");
    }
    put(state, "textContent", text);
  });
  return node;
}

// ---- what happened, and the whole page

/** The sheet's form: its fields, handed in to the instructor where he keeps answers, and saved on this device. */
function findings() {
  const inputs = new Map(fields.map(field => [field.name, field.choices.length
    ? el("select", { name: field.name }, el("option", { value: "" }, ""), ...field.choices.map(one => el("option", { value: one }, one)))
    : el("input", { type: "text", name: field.name, maxlength: 120, placeholder: field.hint })]));
  const saved = el("p.note", { role: "status" });
  const form = el("form", { autocomplete: "off" }, el("div.findings", {}, ...fields.map(field => el("label", {}, field.label, inputs.get(field.name)))),
    el("div.row", {}, el("button.strong", { type: "submit" }, words.hand_in), answerLink, saved));
  let dirty = false, last = "";
  form.addEventListener("submit", event => {
    event.preventDefault();
    dirty = false;
    ask({ do: "answer", texts: Object.fromEntries([...inputs].map(([name, input]) => [name, input.value.trim()])) });
  });
  form.addEventListener("input", () => { dirty = true; saved.textContent = words.not_handed_in; });
  shows.push(() => {
    const key = JSON.stringify(now.answered);
    put(answerLink, "hidden", !now.answered);
    if (!dirty && now.answered) put(saved, "textContent", words.handed_in);
    if (key === last) return;
    last = key;
    if (now.answered && !dirty) for (const [name, input] of inputs) input.value = now.answered[name];
  });
  return el("section.wide", { "aria-labelledby": "h-findings" }, el("h2", { id: "h-findings" }, words.findings), form);
}

const log = el("ol.log", {}), logged = el("div.scroll", { role: "log", tabindex: 0, "aria-label": words.happened }, log);
let heard = "";

function showMessages(messages) {
  const last = JSON.stringify(messages);
  if (last === heard) return;
  heard = last;
  log.replaceChildren(...(messages.length ? messages.toReversed() : [[0, words.nothing_yet]]).map(([t, text]) => el("li", {}, el("time", {}, hours(t)), el("span", {}, text))));
}

function hours(t) {
  const all = Math.floor(t), two = n => String(n).padStart(2, "0");
  return `${Math.floor(all / 3600)}:${two(Math.floor(all / 60) % 60)}:${two(all % 60)}`;
}

const boxes = el("div", { hidden: scene.secret });
function showBoxes(list) {
  if (scene.secret) return;
  boxes.replaceChildren(el("h2", {}, words.boxes), ...list.map(box => el("p.note", {}, `${box.splice}: ${box.socket} `, el("span", { "data-splice": box.splice }))));
}

const vehicle = new Vehicle(scene, words, ask);
const recorderNode = kit.recorder ? recorder() : null;
refused.append(el("span", {}), el("button", { type: "button", onclick: () => { refused.hidden = true; } }, words.understood));
document.body.append(
  el("header", {}, el("h1", {}, words.title), el("p", {}, scene.group ? words.for_group.replace("{vehicle}", scene.vehicle).replace("{group}", scene.group) : scene.vehicle), connection),
  time,
  el("main", {}, scene.complaint ? el("p.lead.wide", {}, scene.complaint) : "", vehicle.node,
    el("section", { "aria-labelledby": "h-tools" }, el("h2", { id: "h-tools" }, words.tools.replace("{kit}", kit.name)), ...panels,
      el("h2", {}, words.happened), logged, boxes),
    recorderNode || "", findings(), refused),
  el("footer", {}, el("details.caution", { open: true }, el("summary", {}, words.caution),
    el("ul", {}, ...words.cautions.trim().split("\n").map(line => el("li", {}, line))))));

let left = null; // where somebody stood with the keyboard before time ran ahead

function show(state) {
  now = state;
  const [day, ...rest] = now.clock.split(" ");
  put(clock, "textContent", words.clock.replace("{day}", day).replace("{clock}", rest.join(" ")));
  if (document.activeElement !== speed) {
    if (![...speed.options].some(one => Number(one.value) === now.speed)) speed.append(new Option(`${now.speed} \u00d7`, now.speed));
    put(speed, "value", String(now.speed));
  }
  const waiting = now.waits !== null;
  put(cancel, "hidden", !waiting);
  if (waiting && waits.includes(document.activeElement)) { left = document.activeElement; cancel.focus(); }
  for (const control of waits) put(control, "disabled", waiting);
  if (!waiting && left) { left.focus(); left = null; }
  put(ahead, "textContent", waiting ? words.is_ahead : "");
  vehicle.show(now);
  for (const each of shows) each();
  showMessages(now.messages);
  for (const box of now.boxes || []) {
    const place = boxes.querySelector(`[data-splice="${CSS.escape(box.splice)}"]`);
    if (place) put(place, "textContent", box.state || words.no_power);
  }
  document.body.dataset.ready = "yes";
}

connect();
