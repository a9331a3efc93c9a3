// A board with stock MicroPython: a chip that can be reset, its flash, USB serial as TCP, and a control port (JSON lines).
// Time passes only while somebody waits for it: a control command, or a TCP client of the serial port (then no faster
// than --speed). board.py starts this; it prints {"usb": PORT, "control": PORT} when both are open.
import fs from 'fs';
import net from 'net';
import { createRequire } from 'module';
import { performance } from 'perf_hooks';
import { parseArgs } from 'util';
import { Chip } from './chip.mjs';

const FLASH_BYTES = 2 * 1024 * 1024;
const SLICE_MS = 4;                            // wall time between two looks at the sockets
const KNOCK_NS = 2e8;                          // who finds no serial port lets so much time pass for the next try

const { values: options } = parseArgs({ options: {
  firmware: { type: 'string' },                // UF2
  bootrom: { type: 'string' },                 // hexadecimal words
  core: { type: 'string' },                    // core.c, compiled
  fs: { type: 'string' },                      // the file system's bytes
  'fs-offset': { type: 'string', default: '0xA0000' },
  adc: { type: 'string', multiple: true, default: [] },  // channel=value, 0 .. 4095
  speed: { type: 'string', default: '1' },     // most emulated seconds a second for TCP clients, 0: no limit
  'erase-ms': { type: 'string', default: '45' },
  'page-us': { type: 'string', default: '400' },
} });
const fsOffset = Number(options['fs-offset']);

function loadFirmware(path) {
  const data = fs.readFileSync(path), out = new Uint8Array(FLASH_BYTES).fill(0xff);
  for (let at = 0; at < data.length; at += 512) {
    const to = data.readUInt32LE(at + 12) - 0x10000000, count = data.readUInt32LE(at + 16);
    out.set(data.subarray(at + 32, at + 32 + count), to);
  }
  return out;
}

const complain = console.error;
for (const kind of ['log', 'warn', 'info', 'debug', 'error']) console[kind] = () => {};  // upstream prints freely
const said = new Set();
const logger = {
  debug() {}, info() {}, warn() {},
  error(part, message) { const text = `${part}: ${message}`; if (!said.has(text)) { said.add(text); complain(text); } },
};

const hosting = {
  rom: Uint32Array.from(fs.readFileSync(options.bootrom, 'utf8').trim().split(/\s+/), (word) => parseInt(word, 16)),
  flash: loadFirmware(options.firmware),
  core: options.core ? createRequire(import.meta.url)(options.core) : null,
  logger,
  adc: [0, 0, 0, 0, 876],                      // channel 4: about 27 C
  inputs: new Map(),
  monitor: null,                               // {address, counts: {pin: counts while it is closed}, enable: pin}
  eraseNs: Number(options['erase-ms']) * 1e6,
  pageNs: Number(options['page-us']) * 1e3,
  stats: { erases: 0, pages: 0 },
  baseNs: 0,                                   // emulated time before this power-up or reset
  cut: () => cutIn > 0 && --cutIn === 0,
  onEdge: (ns, pin, state) => edges.push([ns, pin, state, boot]),
  onSaid: (bytes) => { heard.push(Buffer.from(bytes)); for (const client of clients) client.write(bytes); },
  onUsb: () => {},
};
if (options.fs) hosting.flash.set(fs.readFileSync(options.fs), fsOffset);
for (const pair of options.adc) { const [channel, value] = pair.split('='); hosting.adc[+channel] = +value; }

let cutIn = 0;                                 // power goes inside this next erase or page write, 0: never
let boot = 0;
let edges = [];                                // [ns, pin, 0 | 1 | 'Z', boot]
let heard = [];                                // what the board said and no control command has fetched yet
const clients = new Set();                     // TCP clients of the serial port
let chip = new Chip(hosting, null);

function restart(carry) {                      // carry null: a power cut
  const ns = Math.round(chip.nowNs);
  chip.mcu.gpio.forEach((pin) => { if (pin.value < 2) edges.push([ns, pin.index, 'Z', boot]); });
  for (const client of clients) client.destroy();
  clients.clear();
  hosting.baseNs = chip.nowNs;
  boot++;
  chip = new Chip(hosting, carry);
}

// ---- the loop

let waiter = null;                             // {done(): an answer or undefined, untilNs}
let awakeNs = 0;                               // somebody knocked: run until then
let running = false;
let paceWall = 0, paceNs = 0;                  // since when, and from where, the speed is held
const speed = Number(options.speed);

function wanted() { return waiter || clients.size || chip.nowNs < awakeNs; }
function wake() { if (!running && wanted()) { running = true; paceWall = performance.now(); paceNs = chip.nowNs; setImmediate(slice); } }

function slice() {
  const end = performance.now() + SLICE_MS;
  let lead = 0;
  do {
    chip.run(hosting.core ? 20000 : 2000, waiter ? waiter.untilNs : Infinity);
    if (chip.resetWanted) restart(chip.resetWanted.power ? null : chip.resetWanted);
    if (waiter) serve();
    if (!waiter && speed > 0) {
      lead = (chip.nowNs - paceNs) / 1e6 / speed - (performance.now() - paceWall);
      if (lead < -50) { paceWall = performance.now(); paceNs = chip.nowNs; }
    } else { lead = 0; paceWall = performance.now(); paceNs = chip.nowNs; }
  } while (lead <= 1 && performance.now() < end && wanted());
  if (!wanted()) { running = false; return; }
  if (lead > 1) setTimeout(slice, lead); else setImmediate(slice);
}

function serve() {
  const answer = waiter.done() ?? (chip.nowNs >= waiter.untilNs ? { late: true } : undefined);
  if (answer === undefined) return;
  const { reply } = waiter;
  waiter = null;
  reply({ t_ns: Math.round(chip.nowNs), boot, ...answer });
}

// ---- the serial port and the control port

const usb = net.createServer((client) => {
  client.setNoDelay(true);
  client.on('error', () => {});
  if (!chip.usbUp) { client.destroy(); awakeNs = chip.nowNs + KNOCK_NS; wake(); return; }
  clients.add(client);
  client.on('data', (data) => { chip.hear(data); wake(); });
  client.on('close', () => clients.delete(client));
  wake();
});

function fetch(until) {                        // what was said up to the first `until`; all of it where that is null
  const all = Buffer.concat(heard), place = until === null ? all.length : all.indexOf(until);
  if (place < 0) return undefined;
  const end = until === null ? all.length : place + until.length;
  heard = end < all.length ? [all.subarray(end)] : [];
  return all.subarray(0, end).toString('latin1');
}

const WAITS = {                                // what lets time pass; `for_ns` bounds it
  run: () => () => undefined,
  usb: () => () => (chip.usbUp ? {} : undefined),
  boot: (m) => () => (boot >= m.boot ? {} : undefined),
  read: (m) => () => { const text = fetch(m.until); return text === undefined ? undefined : { text }; },
};
const ACTS = {
  adc: (m) => { hosting.adc[m.channel] = m.value; },
  monitor: (m) => { hosting.monitor = { address: m.address, counts: m.counts, enable: m.enable }; },
  gpio: (m) => { hosting.inputs.set(m.pin, !!m.value); chip.mcu.gpio[m.pin].setInputValue(!!m.value); },
  pins: () => ({ pins: chip.pins() }),
  status: () => ({ usb: chip.usbUp, flash: hosting.stats }),
  send: (m) => { chip.hear(Buffer.from(m.text, 'latin1')); },
  said: () => ({ text: fetch(null) }),
  edges: (m) => ({ edges: edges.slice(m.from) }),
  cut: (m) => { cutIn = m.operations; },
  erase: (m) => { hosting.eraseNs = m.ms * 1e6; },
  'power-cycle': () => { restart(null); },
  'watchdog-reset': () => { chip.watchdogReset(); restart(chip.resetWanted); },
  'save-fs': (m) => { fs.writeFileSync(m.path, hosting.flash.subarray(fsOffset)); },
  'load-fs': (m) => { hosting.flash.set(fs.readFileSync(m.path), fsOffset); },
  quit: () => { setImmediate(() => process.exit(0)); },
};

const control = net.createServer((client) => {
  let kept = '';
  const reply = (answer) => client.write(`${JSON.stringify(answer)}\n`);
  client.on('error', () => {});
  client.on('close', () => { waiter = null; });
  client.on('data', (data) => {
    kept += data;
    for (let end; (end = kept.indexOf('\n')) >= 0;) {
      const message = JSON.parse(kept.slice(0, end));
      kept = kept.slice(end + 1);
      if (WAITS[message.cmd]) { waiter = { done: WAITS[message.cmd](message), untilNs: chip.nowNs + message.for_ns, reply }; serve(); wake(); continue; }
      try { reply({ t_ns: Math.round(chip.nowNs), boot, ...ACTS[message.cmd](message) }); } catch (error) { reply({ error: String(error) }); }
    }
  });
});

usb.listen(0, '127.0.0.1', () => control.listen(0, '127.0.0.1', () =>
  process.stdout.write(`${JSON.stringify({ usb: usb.address().port, control: control.address().port })}\n`)));
process.stdin.on('end', () => process.exit(0)).resume();  // whoever started it is gone
