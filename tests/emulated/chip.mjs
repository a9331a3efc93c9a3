// One power-up of an RP2040 on rp2040js: flash operations as the ROM does them, watchdog, PIO in step with the
// processor, USB serial. Nothing here knows sockets or files; emulator.mjs drives it.
const LIBRARY = process.env.RP2040JS;   // folder dist/esm of the npm package rp2040js
const { RP2040 } = await import(`${LIBRARY}/rp2040.js`);
const { SimulationClock } = await import(`${LIBRARY}/clock/simulation-clock.js`);
const { USBCDC } = await import(`${LIBRARY}/usb/cdc.js`);
const { BasePeripheral } = await import(`${LIBRARY}/peripherals/peripheral.js`);

export const SECTOR = 4096;
const PAGE = 256;
const HALF_ERASED = 2048, HALF_WRITTEN = 100;  // bytes of a sector or page that are done when power goes inside it
const ENTRY_CYCLES = 15, RETURN_CYCLES = 10;   // of an exception on a Cortex-M0+
const USB_FRAME_US = 125;                      // until what the host sent reaches the endpoint
const BUS_BYTE_NS = 22_500;                    // of I2C at 400 kHz: eight bits and an acknowledgement
const MAKER_REGISTER = 0xfe, MAKER = 0x5449, SHUNT_REGISTER = 1;  // of an INA226 (TI SBOS547, register maps)
const STAND_STILL_NS = 10_000;                 // while the processor waits for the flash, the rest moves in such steps
const BREAK = { erase: 0xe0, program: 0xe1, nothing: 0xe2, flush: 0xe3 };
// What the compiled core shares with rp2040js beside memory and registers: core.c names the same places.
const SHARED = ['divDividend', 'divDivisor', 'divQuotient', 'divRemainder', 'divCSR', 'spinLock'];
const PRIMASK = 6, PENDING = 7, ADC_CS = 8, TIMES = 10;
const ROM_CALLS = { RE: BREAK.erase, RP: BREAK.program, IF: BREAK.nothing, EX: BREAK.nothing, FC: BREAK.flush, CX: BREAK.nothing };

class Rosc extends BasePeripheral {            // the ring oscillator, which upstream lacks: its random bit
  constructor(...rest) { super(...rest); this.state = 12345; }
  readUint32(offset) {
    if (offset === 0x1c) { this.state = (this.state * 1103515245 + 12345) >>> 0; return (this.state >>> 16) & 1; }
    return offset === 0x18 ? 0x80001000 : 0;
  }
  writeUint32() {}
}

class ChipReset extends BasePeripheral {       // VREG_AND_CHIP_RESET: why it starts
  constructor(mcu, name, value) { super(mcu, name); this.value = value; }
  readUint32(offset) { return offset === 8 ? this.value : offset === 0 ? 0x10b1 : 0; }
  writeUint32() {}
}

function romFunctions(rom) {                   // the boot ROM's table of functions: two letters, address
  const view = new DataView(rom.buffer), table = {};
  for (let at = view.getUint16(0x14, true); view.getUint16(at, true); at += 4)
    table[String.fromCharCode(view.getUint8(at), view.getUint8(at + 1))] = view.getUint16(at + 2, true) & ~1;
  return table;
}

// hosting: {rom, flash, core, logger, adc, inputs, monitor: null or {address, counts by pin, enable}, eraseNs, pageNs, cut(), stats, baseNs,
//           onEdge(ns, pin, state), onSaid(bytes), onUsb()}; carry: what a watchdog reset keeps, null at power-up.
export class Chip {
  constructor(hosting, carry) {
    this.hosting = hosting;
    this.clock = new SimulationClock();
    this.mcu = new RP2040(this.clock);
    this.mcu.logger = hosting.logger;
    this.extraCycles = 0;
    this.extraNs = 0;
    this.resetWanted = null;                   // {power: true} or what a watchdog reset carries
    this.usbUp = false;
    this.toBoard = [];
    this.endpointTakes = 0;
    this.pioDebt = 0;
    this.pioNeed = Infinity;
    this.edgeNs = 0;
    this.flags = new Uint32Array(8);           // the quick core's condition flags and results
    this.prepareRom();
    this.mcu.flash.set(hosting.flash, 0);
    this.mcu.peripherals[0x40060] = new Rosc(this.mcu, 'ROSC');
    this.mcu.peripherals[0x40064] = new ChipReset(this.mcu, 'CHIP_RESET', carry ? 0 : 1 << 8);
    this.countExceptions();
    this.mcu.onBreak = (code) => this.romCall(code);
    this.prepareWatchdog(carry);
    this.mcu.adc.channelValues = hosting.adc;
    this.watchPins();
    this.preparePio();
    this.prepareMonitor();
    this.prepareUsb();
    this.mcu.core.PC = 0x10000000;
    if (hosting.core) this.shareWithCore();
  }

  shareWithCore() {
    const { core, sio, sram, flash, bootrom } = this.mcu, shared = this.shared = new Uint32Array(14);
    this.times = new Float64Array(shared.buffer, TIMES * 4);
    SHARED.forEach((name, place) => {
      shared[place] = sio[name];
      Object.defineProperty(sio, name, { get: () => shared[place], set: (value) => { shared[place] = value; } });
    });
    Object.defineProperty(core, 'PM', { get: () => shared[PRIMASK] !== 0, set: (value) => { shared[PRIMASK] = value ? 1 : 0; } });
    this.hosting.core.bind(core.registers, this.flags, sram, flash, bootrom, shared);
  }

  anyPending() {                               // what unmasking interrupts would let through
    const { core } = this.mcu;
    return (core.pendingInterrupts & core.enabledInterrupts) !== 0 || core.pendingPendSV || core.pendingSystick
      || core.pendingSVCall || core.pendingNMI;
  }

  get nowNs() { return this.hosting.baseNs + this.clock.nanos; }

  prepareRom() {                               // the ROM's flash calls become BKPT #n; BX LR
    const rom = this.hosting.rom.slice(), view = new DataView(rom.buffer), functions = romFunctions(rom);
    for (const [name, code] of Object.entries(ROM_CALLS)) {
      view.setUint16(functions[name], 0xbe00 | code, true);
      view.setUint16(functions[name] + 2, 0x4770, true);
    }
    this.mcu.loadBootrom(rom);
  }

  countExceptions() {
    const { core } = this.mcu, enter = core.exceptionEntry.bind(core), leave = core.exceptionReturn.bind(core);
    core.exceptionEntry = (number) => { this.extraCycles += ENTRY_CYCLES; enter(number); };
    core.exceptionReturn = (number) => { this.extraCycles += RETURN_CYCLES; leave(number); };
  }

  prepareWatchdog(carry) {
    const watchdog = this.mcu.peripherals[0x40058];
    if (carry) { watchdog.reason = carry.reason; watchdog.scratchData.set(carry.scratch); }
    watchdog.onWatchdogTrigger = () => {
      watchdog.timer.enable = false;
      this.resetWanted = { reason: watchdog.reason, scratch: watchdog.scratchData.slice() };
    };
  }

  watchdogReset() {
    this.resetWanted = { reason: 1, scratch: this.mcu.peripherals[0x40058].scratchData.slice() };
  }

  romCall(code) {
    const { core } = this.mcu, r = core.registers;
    if (code === BREAK.erase) this.erase(r[0], r[1]);
    else if (code === BREAK.program) this.program(r[0], r[1], r[2]);
    else if (code !== BREAK.nothing && code !== BREAK.flush) {
      this.hosting.logger.error('chip', `BKPT #${code} at ${core.PC.toString(16)}: a panic`);
      core.PC -= 2;
      core.waiting = true;
    }
  }

  erase(from, length) {
    const { flash, stats, eraseNs } = this.hosting;
    for (let at = from; at < from + length && !this.resetWanted; at += SECTOR) {
      const cut = this.hosting.cut(), end = at + (cut ? HALF_ERASED : SECTOR);
      flash.fill(0xff, at, end);
      this.mcu.flash.fill(0xff, at, end);
      stats.erases++;
      this.extraNs += eraseNs;
      if (cut) this.resetWanted = { power: true };
    }
  }

  program(to, from, length) {
    const { flash, stats, pageNs } = this.hosting, { mcu } = this;
    for (let at = 0; at < length && !this.resetWanted; at += PAGE) {
      const cut = this.hosting.cut();
      for (let i = at; i < at + (cut ? HALF_WRITTEN : PAGE); i++)
        flash[to + i] = mcu.flash[to + i] &= mcu.readUint8(from + i);
      stats.pages++;
      this.extraNs += pageNs;
      if (cut) this.resetWanted = { power: true };
    }
  }

  watchPins() {
    for (const pin of this.mcu.gpio) {
      if (this.hosting.inputs.has(pin.index)) pin.setInputValue(this.hosting.inputs.get(pin.index));
      let last = 'Z';
      pin.addListener((state) => {
        const now = state > 1 ? 'Z' : state;
        if (now === last) return;
        last = now;
        this.hosting.onEdge(Math.round(this.hosting.baseNs + (this.edgeNs || this.clock.nanos)), pin.index, now);
      });
    }
  }

  pins() { return this.mcu.gpio.map((pin) => { const value = pin.value; return value > 1 ? 'Z' : value; }); }

  // ---- PIO: upstream free-runs it and ignores divider, enable bits and delays; here it keeps step with the processor

  preparePio() {
    for (const pio of this.mcu.pio) {
      pio.run = () => {};
      const write = pio.writeUint32;
      pio.writeUint32 = (...rest) => { this.pioFlush(); const result = write.apply(pio, rest); this.pioPlan(); return result; };
      for (const machine of pio.machines) {
        machine.credit = 0;
        machine.hold = 0;
        machine.clkDivRestart = () => { machine.credit = 0; };
      }
    }
  }

  pioPlan() {                                  // cycles until the next PIO step is due
    this.pioNeed = Infinity;
    for (const pio of this.mcu.pio) {
      if (pio.stopped) continue;
      for (const machine of pio.machines) {
        if (!machine.enabled || stands(pio, machine)) continue;
        this.pioNeed = Math.min(this.pioNeed, Math.max(1, divider(machine) * (machine.hold + 1) - machine.credit));
      }
    }
  }

  pioFlush() { const debt = this.pioDebt; this.pioDebt = 0; if (debt > 0) this.pioRun(debt); }

  pioPass(cycles) {
    if (this.pioNeed === Infinity) return;
    this.pioDebt += cycles;
    if (this.pioDebt >= this.pioNeed) { this.pioFlush(); this.pioPlan(); }
  }

  pioRun(cycles) {
    const cycleNs = 1e9 / this.mcu.clkSys;
    for (const pio of this.mcu.pio) {
      if (pio.stopped) continue;
      for (const machine of pio.machines) if (machine.enabled) machine.credit += cycles;
      for (;;) {                               // one PIO cycle of each machine at a time, as their dividers allow
        let moved = false, left = 0;
        for (const machine of pio.machines) {
          const each = divider(machine);
          if (!machine.enabled || machine.credit < each) continue;
          if (stands(pio, machine)) { machine.credit %= each; continue; }
          if (machine.hold > 1) {
            const skip = Math.min(machine.hold, Math.floor(machine.credit / each)) - 1;
            if (skip > 0) { machine.hold -= skip; machine.credit -= skip * each; }
          }
          machine.credit -= each;
          moved = true;
          if (machine.hold > 0) { machine.hold--; continue; }
          const before = machine.cycles;
          left = Math.max(left, machine.credit);
          machine.step();
          const used = machine.cycles - before;  // 1 + delay
          if (used > 1) machine.hold += used - 1;
        }
        if (!moved) break;
        this.edgeNs = this.clock.nanosCounter - left * cycleNs;
        pio.checkChangedPins();
        this.edgeNs = 0;
      }
    }
  }

  pioIdle() {                                  // every machine waits for its FIFO: nothing moves by itself
    for (const pio of this.mcu.pio) {
      if (pio.stopped) continue;
      for (const machine of pio.machines)
        if (machine.enabled && !stands(pio, machine) && (!machine.waiting || machine.hold > 0)) return false;
    }
    return true;
  }

  // ---- a power monitor on I2C 0, where one is fitted: its shunt register is what the closed switches make it

  prepareMonitor() {
    const bus = this.mcu.i2c[0], fitted = () => this.hosting.monitor;
    let next = null, written = 0, register = 0, low = false, value = 0;
    const alarm = this.clock.createAlarm(() => next());
    const later = (call) => { next = call; alarm.schedule(BUS_BYTE_NS); };
    bus.onConnect = (address) => {
      written = 0;
      low = false;
      later(() => bus.completeConnect(fitted() !== null && address === fitted().address));
    };
    bus.onWriteByte = (byte) => { if (written++ === 0) register = byte; later(() => bus.completeWrite(true)); };
    bus.onReadByte = () => {                   // the high byte first
      if (!low) value = register === MAKER_REGISTER ? MAKER : register === SHUNT_REGISTER ? this.shuntCounts() : 0;
      const byte = low ? value & 0xff : value >> 8;
      low = !low;
      later(() => bus.completeRead(byte));
    };
  }

  shuntCounts() {                              // each pin's counts while it is high and the enable pin low
    const { counts, enable } = this.hosting.monitor, pins = this.pins();
    if (pins[enable] !== 0) return 0;
    return Math.round(Object.entries(counts).reduce((sum, [pin, each]) => sum + (pins[pin] === 1 ? each : 0), 0));
  }

  // ---- USB serial

  prepareUsb() {
    const cdc = this.cdc = new USBCDC(this.mcu.usbCtrl);
    const lines = cdc.cdcSetControlLineState.bind(cdc);
    cdc.cdcSetControlLineState = (value, itf = 0) => lines(value ?? 3, itf);  // DTR and RTS: a terminal is there
    cdc.onDeviceConnected = () => { this.usbUp = true; this.hosting.onUsb(); };
    cdc.onSerialData = (bytes) => this.hosting.onSaid(bytes);
    this.mcu.usbCtrl.onEndpointRead = (endpoint, size) => {  // answered when there is data: upstream sends empty packets
      if (endpoint === cdc.outEndpoint) { this.endpointTakes = size; this.pump(); }
    };
  }

  hear(bytes) { for (const byte of bytes) this.toBoard.push(byte); this.pump(); }

  pump() {
    if (!this.endpointTakes || !this.toBoard.length || !this.usbUp) return;
    const packet = Uint8Array.from(this.toBoard.splice(0, Math.min(this.endpointTakes, this.toBoard.length, 64)));
    this.endpointTakes = 0;
    this.mcu.usbCtrl.endpointReadDone(this.cdc.outEndpoint, packet, USB_FRAME_US);
  }

  // ---- time

  pass(cycles) {
    const ns = cycles * (1e9 / this.mcu.clkSys), { clock } = this;
    if (clock.nextAlarm && clock.nextAlarm.nanos <= clock.nanosCounter + ns) clock.tick(ns); else clock.nanosCounter += ns;
    if (cycles) this.pioPass(cycles);
  }

  sleep(untilNs) {                             // the processor waits for an interrupt; returns the nanoseconds slept
    const { clock, mcu } = this, cycleNs = 1e9 / mcu.clkSys;
    let ns = clock.nextAlarm ? Math.max(0, clock.nextAlarm.nanos - clock.nanosCounter) : 1e6;
    ns = Math.min(ns, 1e6, Math.max(untilNs - this.nowNs, cycleNs));
    const moving = this.pioNeed < Infinity && !this.pioIdle();
    if (moving) {
      this.pioFlush();
      this.pioPlan();
      ns = Math.max(Math.min(ns, this.pioNeed * cycleNs), cycleNs);
    }
    clock.tick(ns);
    if (moving) this.pioPass(ns / cycleNs + 1e-6);
    return ns;
  }

  quick() {                                    // let the compiled core run until something is due; true where it did all it could
    const { core } = this.mcu, { flags, clock } = this, cycleNs = 1e9 / this.mcu.clkSys;
    let most = 4000;
    if (clock.nextAlarm) most = Math.min(most, Math.ceil((clock.nextAlarm.nanos - clock.nanosCounter) / cycleNs));
    if (this.pioNeed < Infinity) most = Math.min(most, Math.ceil(this.pioNeed - this.pioDebt));
    if (most <= 1) return false;
    flags[0] = core.N ? 1 : 0; flags[1] = core.Z ? 1 : 0; flags[2] = core.C ? 1 : 0; flags[3] = core.V ? 1 : 0;
    this.shared[PENDING] = this.anyPending() ? 1 : 0;
    this.shared[ADC_CS] = this.mcu.adc.readUint32(0);
    this.times[0] = clock.nanosCounter;
    this.times[1] = cycleNs;
    const used = this.hosting.core.run(most);
    core.N = flags[0] === 1; core.Z = flags[1] === 1; core.C = flags[2] === 1; core.V = flags[3] === 1;
    core.cycles += used;
    this.pass(used);
    return !flags[5];
  }

  // Work until an instant, a reset, or about `budget` instructions' worth of effort.
  run(budget, untilNs) {
    const { core } = this.mcu;
    for (let effort = 0; effort < budget && !this.resetWanted && this.nowNs < untilNs;) {
      if (core.waiting && (core.pendingInterrupts & core.enabledInterrupts) !== 0) { core.waiting = false; core.interruptsUpdated = true; }
      if (core.waiting) { this.sleep(untilNs); effort += 50; continue; }
      if (this.hosting.core && !core.interruptsUpdated) {
        const done = this.quick();
        effort += this.flags[4] + 1;
        if (done) continue;
      }
      const before = core.cycles;
      core.executeInstruction();
      effort++;
      const cycles = core.cycles - before + this.extraCycles;
      this.extraCycles = 0;
      this.pass(cycles);
      while (this.extraNs > 0) {               // the flash is busy: the processor stands still, PIO and DMA don't
        const ns = Math.min(this.extraNs, STAND_STILL_NS);
        this.extraNs -= ns;
        this.clock.tick(ns);
        this.pioPass(ns / (1e9 / this.mcu.clkSys));
      }
    }
  }
}

// A jump to itself, without a delay: nothing but a register write ends that.
function stands(pio, machine) {
  return machine.hold === 0 && !machine.waiting && pio.instructions[machine.pc] === machine.pc;
}

function divider(machine) { return (machine.clockDivInt || 65536) + machine.clockDivFrac / 256; }
