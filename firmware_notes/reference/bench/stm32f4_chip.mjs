// The emulated STM32F4 of the bench: node stm32f4_chip.mjs ADDON CONVERTER uart|usb [option of the bench ...] FIRMWARE.bin
//
// The processor, with its exceptions and priorities, is that of rp2040js (of npm): a Cortex-M0+, whose instructions these
// chips have as well. What is around it is played here, from the reference manuals as recalled: clocks and their gates,
// pins, edges, timers, the serial line, SPI, I2C, the converter, the watchdogs' clock and reset flags, and USB
// (stm32f4_usb.mjs). A register that nothing is known of is complained about, and so is a part whose clock is off.
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { resolve } from "node:path";
import { RP2040 } from "rp2040js";
import { RegisteredConverter } from "./registered_converter.mjs";
import { OtgFs } from "./stm32f4_usb.mjs";
import { joinUsbHost } from "./usb_host.mjs";

const CYCLES_PER_NS = 0.016; // the bench counts time at 16 MHz
const FLASH = 0x08000000;
const FLASH_BYTES = 128 << 10;
const RAM = 0x20000000;
const RAM_BYTES = 64 << 10;
const VECTORS = 0xf0000000; // where the processor is let to look for them
const CRYSTAL_HZ = 25e6;
const INTERNAL_HZ = 16e6;
const WATCHDOG_HZ = 32000;
const BAUD = 250000;
const BAUD_OFF = 0.02;

// in the order of simulated_chip.h: pins of port B in ../stm32f4/pins.h, and the lamp of port A
const [converter, line] = process.argv.slice(3, 5);
const INPUT_PINS = [6, 7, 14, 12, 15, 5];
const OUTPUT_PINS = ["B0", "B1", "B10", "A5", "B13"];
const [AMPLIFIER_DATA, MOTOR_ENABLE, AMPLIFIER_CLOCK] = [2, 2, 4];

// The processor of the emulator has 32 interrupts; these chips have more, of which the port uses these.
const INTERRUPTS = { EXTI9_5: 23, TIM3: 29, TIM4: 30, USART1: 37, EXTI15_10: 40, TIM5: 50, OTG_FS: 67, TIM2: 28 };
const SLOTS = Object.values(INTERRUPTS);
const slotOf = (name) => SLOTS.indexOf(INTERRUPTS[name]);

// RCC_CSR after power, the reset pin, and a brown-out: each pulls the pin
const [PIN_FLAG, POWER_FLAGS, BROWN_OUT_FLAGS, WATCHDOG_FLAGS] = [1 << 26, 7 << 25, 3 << 25, (1 << 26) | (1 << 29)];
const CAUSES = [POWER_FLAGS, PIN_FLAG, BROWN_OUT_FLAGS];

const addon = createRequire(import.meta.url)(resolve(process.argv[2]));
const times = new Float64Array(2);

let image, chip_, clock, core, elapsed = 0, bitten = false, lowestStack, ended = false;
const levels = INPUT_PINS.map(() => false);
let randomState = 1n;

const now = () => elapsed + clock.nanos * CYCLES_PER_NS;

function tell(line, high) {
  times[0] = now();
  addon.output(line, high);
}

function told(byte) {
  times[0] = now();
  addon.said(byte);
}

function complain(what, offset) {
  console.error(`bench: ${what} at ${offset.toString(16)}, pc ${(core.PC >>> 0).toString(16)}`);
}

function randomBits(count) {
  randomState = (randomState * 6364136223846793005n + 1442695040888963407n) & 0xffffffffffffffffn;
  return Number(randomState >> BigInt(64 - count));
}

function clockOut(bits) {
  let value = 0;
  for (let bit = 0; bit < bits; bit++) {
    tell(AMPLIFIER_CLOCK, true);
    value = (value << 1) | (levels[AMPLIFIER_DATA] ? 1 : 0);
    tell(AMPLIFIER_CLOCK, false);
  }
  return value;
}

// Registers that only keep what is written.
class Kept {
  constructor(initial = {}) {
    this.words = new Map(Object.entries(initial).map(([offset, value]) => [Number(offset), value >>> 0]));
  }
  get(offset) {
    return this.words.get(offset) ?? 0;
  }
  read(offset) {
    return this.get(offset);
  }
  write(offset, value) {
    this.words.set(offset, value >>> 0);
  }
}

class Rcc extends Kept {
  constructor(cause) {
    super({ 0: 0x83, 4: 0x24003010, 0x74: cause });
    this.processorHz = INTERNAL_HZ;
  }
  read(offset) {
    const value = this.get(offset);
    // oscillator and PLL are ready at once
    if (offset === 0) return (value | ((value & 0x01010000) << 1)) >>> 0;
    if (offset === 8) return value | ((value & 3) << 2);
    return value;
  }
  write(offset, value) {
    if (offset === 0x74) value = value & (1 << 24) ? 0 : this.get(0x74);
    super.write(offset, value);
    if (offset === 8) this.processorHz = this.#chosenHz();
  }
  #chosenHz() {
    const [control, pll, choice] = [this.get(0), this.get(4), this.get(8) & 3];
    if (choice === 0) return INTERNAL_HZ;
    if (choice === 1) return CRYSTAL_HZ;
    if (!(control & (1 << 24))) return complain("the processor's clock is a PLL that is off", 8), 1;
    const source = pll & (1 << 22) ? CRYSTAL_HZ : INTERNAL_HZ;
    const vco = (source / (pll & 63)) * ((pll >> 6) & 511);
    if (vco / ((pll >> 24) & 15) !== 48e6) complain("USB has no 48 MHz", 4);
    return vco / (2 * (((pll >> 16) & 3) + 1));
  }
  #divided(shift) {
    const field = (this.get(8) >> shift) & 7;
    return field & 4 ? 2 << (field & 3) : 1;
  }
  get bus1Hz() {
    return this.processorHz / this.#divided(10);
  }
  get bus2Hz() {
    return this.processorHz / this.#divided(13);
  }
  get timerHz() {
    return this.#divided(10) === 1 ? this.bus1Hz : 2 * this.bus1Hz;
  }
}

class Gpio extends Kept {
  constructor(name, outputs, levelOf) {
    super();
    Object.assign(this, { name, outputs, levelOf, odr: 0 });
  }
  mode(pin) {
    return (this.get(0) >> (2 * pin)) & 3;
  }
  alternate(pin) {
    return this.mode(pin) === 2 ? (this.get(0x20 + 4 * (pin >> 3)) >> (4 * (pin & 7))) & 15 : null;
  }
  read(offset) {
    if (offset === 0x10) {
      let value = 0;
      for (let pin = 0; pin < 16; pin++) {
        const high = this.mode(pin) === 1 ? (this.odr >> pin) & 1 : this.levelOf(pin);
        value |= (high ? 1 : 0) << pin;
      }
      return value;
    }
    return offset === 0x14 ? this.odr : super.read(offset);
  }
  write(offset, value) {
    if (offset === 0x18) this.odr = ((this.odr & ~(value >>> 16)) | value) & 0xffff;
    else if (offset === 0x14) this.odr = value & 0xffff;
    else super.write(offset, value);
    this.show();
  }
  // a pin that floats is low, but for the enable input that the board pulls high
  show() {
    for (const [pin, line] of this.outputs) {
      const driven = this.mode(pin) === 1;
      const high = driven ? !!((this.odr >> pin) & 1) : line === MOTOR_ENABLE;
      if (this.alternate(pin) === null && this.shown?.[line] !== high) tell(line, high);
      this.shown = { ...this.shown, [line]: high };
    }
  }
}

class Exti extends Kept {
  constructor(syscfg) {
    super();
    this.syscfg = syscfg;
    this.pending = 0;
  }
  read(offset) {
    return offset === 0x14 ? this.pending : super.read(offset);
  }
  write(offset, value) {
    if (offset === 0x14) this.pending &= ~value;
    else super.write(offset, value);
    this.update();
  }
  edge(pin, rose) {
    const fromB = ((this.syscfg.get(8 + 4 * (pin >> 2)) >> (4 * (pin & 3))) & 15) === 1;
    if (!fromB || !(this.get(rose ? 8 : 12) & (1 << pin))) return;
    this.pending |= 1 << pin;
    this.update();
  }
  update() {
    const due = this.pending & this.get(0);
    core.setInterrupt(slotOf("EXTI9_5"), !!(due & 0x03e0));
    core.setInterrupt(slotOf("EXTI15_10"), !!(due & 0xfc00));
  }
}

// Counts up to its end, turns over, and says so. The divider is taken over at a turn-over or by order.
class Timer {
  constructor(name, bits, rcc) {
    Object.assign(this, { name, rcc, top: 2 ** bits - 1 });
    Object.assign(this, { control: 0, interrupts: 0, status: 0, waitingDivider: 0, divider: 0, reload: this.top, from: 0, since: 0 });
    this.alarm = clock.createAlarm(() => this.turn());
  }
  get tickNs() {
    return ((this.divider + 1) * 1e9) / this.rcc.timerHz;
  }
  get counter() {
    if (!(this.control & 1)) return this.from;
    // a picosecond, so that what is due now has been counted
    return (this.from + Math.floor((clock.nanos - this.since) / this.tickNs + 1e-6)) % (this.top + 1);
  }
  turn() {
    this.since = this.alarm.nanos;
    this.from = 0;
    this.divider = this.waitingDivider;
    this.status |= 1;
    this.wait();
    this.update();
  }
  wait() {
    this.alarm.cancel();
    if (!(this.control & 1)) return;
    const last = this.from <= this.reload ? this.reload : this.top;
    this.alarm.schedule(Math.max(0, this.since + (last + 1 - this.from) * this.tickNs - clock.nanos));
  }
  // from here on it counts anew, without losing the part of a tick that has passed
  settle() {
    const counter = this.counter;
    this.since = this.control & 1 ? this.since + (counter - this.from) * this.tickNs : clock.nanos;
    this.from = counter;
  }
  read(offset) {
    if (offset === 0x24) return this.counter;
    return { 0: this.control, 0x0c: this.interrupts, 0x10: this.status, 0x28: this.waitingDivider, 0x2c: this.reload }[offset] ?? 0;
  }
  write(offset, value) {
    if (offset === 0x10) this.status &= value;
    else if (offset === 0x0c) this.interrupts = value;
    else if (offset === 0x28) this.waitingDivider = value & 0xffff;
    else {
      this.settle();
      if (offset === 0) {
        if (!(this.control & 1)) this.since = clock.nanos;
        this.control = value;
      } else if (offset === 0x14 && value & 1) {
        this.divider = this.waitingDivider;
        [this.from, this.since] = [0, clock.nanos];
        if (!(this.control & 4)) this.status |= 1;
      } else if (offset === 0x24) {
        [this.from, this.since] = [value & this.top, clock.nanos];
      } else if (offset === 0x2c) {
        this.reload = (value & this.top) >>> 0;
      } else complain(`write to ${this.name}`, offset);
      this.wait();
    }
    this.update();
  }
  update() {
    core.setInterrupt(slotOf(this.name), !!(this.status & this.interrupts & 1));
  }
}

class Usart {
  constructor(rcc) {
    Object.assign(this, { rcc, status: 0xc0, control: 0, divider: 0, data: 0, next: null, leaving: null });
    this.alarm = clock.createAlarm(() => this.left());
  }
  get baud() {
    return this.rcc.bus2Hz / this.divider;
  }
  get right() {
    return Math.abs(this.baud / BAUD - 1) < BAUD_OFF && (this.control & 0x200c) === 0x200c;
  }
  start(byte) {
    this.leaving = byte;
    this.alarm.schedule(1e10 / this.baud);
  }
  left() {
    if (this.right) told(this.leaving);
    this.leaving = null;
    if (this.next !== null) {
      this.start(this.next);
      this.next = null;
      this.status |= 0x80;
    }
    this.update();
  }
  hear(byte) {
    if (!this.right) return;
    if (this.status & 0x20) this.status |= 8;
    else {
      this.data = byte;
      this.status |= 0x20;
    }
    this.update();
  }
  read(offset) {
    if (offset === 0) return this.status;
    if (offset === 4) {
      this.status &= ~0x28;
      this.update();
      return this.data;
    }
    return { 8: this.divider, 12: this.control }[offset] ?? 0;
  }
  write(offset, value) {
    if (offset === 4) {
      if (this.leaving === null) this.start(value & 255);
      else {
        // a byte that overtakes the one that waits is lost, as on the chip
        this.next = value & 255;
        this.status &= ~0x80;
      }
    } else if (offset === 8) this.divider = value;
    else if (offset === 12) this.control = value;
    this.update();
  }
  update() {
    const { status, control } = this;
    core.setInterrupt(slotOf("USART1"), !!((status & 0x28 && control & 0x20) || status & control & 0x80));
  }
}

// The converter behind the chip's SPI: a byte takes eight of the clock's periods, in the mode that it wants.
class Spi extends Kept {
  constructor(rcc, pins) {
    super();
    Object.assign(this, { rcc, pins, status: 2, data: 0, came: 0 });
    this.alarm = clock.createAlarm(() => {
      this.data = this.came;
      this.status |= 1;
    });
  }
  read(offset) {
    if (offset === 8) return this.status;
    if (offset !== 12) return super.read(offset);
    this.status &= ~1;
    return this.data;
  }
  write(offset, value) {
    if (offset !== 12) return super.write(offset, value);
    const control = this.get(0);
    // on, as the host, with its own select, data valid as the clock falls to rest; and wired
    const joined = (control & 0x347) === 0x345 && this.pins.alternate(13) === 5 && this.pins.alternate(14) === 5;
    this.came = joined ? clockOut(8) : 0;
    this.alarm.schedule((8 * 1e9 * (2 << ((control >> 3) & 7))) / this.rcc.bus1Hz);
  }
}

class I2c extends Kept {
  constructor(rcc, pins) {
    super();
    Object.assign(this, { rcc, pins, device: new RegisteredConverter(clockOut), status: 0, data: 0, shifted: null, reading: false });
    this.alarm = clock.createAlarm(() => this.act());
  }
  get bitNs() {
    // fast, low twice as long as high
    return (3e9 * (this.get(0x1c) & 0xfff)) / this.rcc.bus1Hz;
  }
  after(bits, act) {
    this.act = act;
    this.alarm.schedule(bits * this.bitNs);
  }
  get joined() {
    const { pins } = this;
    const right = this.get(4) === this.rcc.bus1Hz / 1e6 && (this.get(0x1c) & 0xc000) === 0x8000;
    const open = (pins.get(4) & 0x300) === 0x300;
    return right && open && pins.alternate(8) === 4 && pins.alternate(9) === 4;
  }
  read(offset) {
    if (offset === 0x14) return this.status;
    if (offset === 0x18) {
      if (this.status & 2) this.addressed();
      return 0;
    }
    if (offset !== 0x10) return super.read(offset);
    const data = this.data;
    if (this.shifted !== null) {
      // the bus stood still
      this.data = this.shifted;
      this.shifted = null;
      this.status &= ~4;
      this.receive();
    } else this.status &= ~0x40;
    return data;
  }
  addressed() {
    this.status &= ~2;
    if (this.reading) this.receive();
    else this.status |= 0x80;
  }
  receive() {
    if (this.get(0) & (1 << 9) && this.stopAfter) return void (this.stopAfter = false);
    this.after(9, () => {
      const byte = this.device.read();
      if (!(this.get(0) & (1 << 10))) this.over = true;
      if (this.status & 0x40) {
        this.shifted = byte;
        this.status |= 4;
        if (this.over) this.shiftedLast = true;
      } else {
        this.data = byte;
        this.status |= 0x40;
        // the last byte got no answer: nothing follows it
        if (!this.over) this.receive();
      }
    });
  }
  write(offset, value) {
    if (offset === 0) {
      if (value & (1 << 15)) Object.assign(this, { status: 0, shifted: null, over: false });
      super.write(0, value & ~(1 << 8) & ~(1 << 9));
      if (value & (1 << 8) && this.joined) {
        this.status &= ~0x84;
        this.over = false;
        this.after(1, () => (this.status |= 1));
      }
      return;
    }
    if (offset !== 0x10) return super.write(offset, value);
    // the bus stands still until somebody has seen that the device answered
    if (this.status & 2) return;
    if (this.status & 1) {
      this.status &= ~1;
      this.reading = !!(value & 1);
      const answers = this.device.called((value >> 1) & 127, this.reading);
      this.after(9, () => (this.status |= answers ? 2 : 0x400));
    } else if (!this.reading) {
      this.status &= ~0x84;
      this.after(9, () => {
        this.device.write(value & 255);
        this.status |= 0x84;
      });
    }
  }
}

// 12 bits, of an analogue amplifier or of the reference voltage.
class Adc extends Kept {
  constructor(rcc, pins) {
    super();
    Object.assign(this, { rcc, pins, status: 0, data: 0, common: 0 });
    this.alarm = clock.createAlarm(() => {
      const channel = this.get(0x34) & 31;
      times[0] = now();
      if (channel === 17) this.data = this.common & (1 << 23) ? 1490 + randomBits(3) : 0;
      else this.data = channel === 1 && this.pins.mode(1) === 3 ? addon.reading() : 0;
      this.status |= 2;
    });
  }
  read(offset) {
    if (offset === 0) return this.status;
    if (offset === 0x304) return this.common;
    if (offset !== 0x4c) return super.read(offset);
    this.status &= ~2;
    return this.data;
  }
  write(offset, value) {
    if (offset === 0x304) this.common = value;
    else super.write(offset, value);
    if (offset === 8 && (value & 0x40000001) === 0x40000001)
      this.alarm.schedule((96 * 1e9 * (2 + 2 * ((this.common >> 16) & 3))) / this.rcc.bus2Hz);
  }
}

class Watchdog {
  constructor() {
    Object.assign(this, { on: false, open: false, divider: 0, reload: 0xfff });
    this.alarm = clock.createAlarm(() => (bitten = true));
  }
  read(offset) {
    return { 4: this.divider, 8: this.reload }[offset] ?? 0;
  }
  write(offset, value) {
    if (offset === 0) {
      this.open = value === 0x5555;
      this.on ||= value === 0xcccc;
      if (this.on && value !== 0x5555) this.alarm.schedule(((this.reload + 1) * (4 << this.divider) * 1e9) / WATCHDOG_HZ);
    } else if (this.open) this[offset === 4 ? "divider" : "reload"] = value;
  }
}

// Interrupt controller and SysTick.
class Processor {
  constructor(rcc) {
    Object.assign(this, { rcc, control: 0, load: 0, priorities: new Uint8Array(80) });
    this.alarm = clock.createAlarm(() => {
      if (this.control & 2) {
        core.pendingSystick = true;
        core.interruptsUpdated = true;
        if (core.waiting && core.checkForInterrupts()) core.waiting = false;
      }
      this.wait();
    });
  }
  wait() {
    this.alarm.cancel();
    if (this.control & 1) this.alarm.schedule(((this.load + 1) * 1e9) / (this.rcc.processorHz / (this.control & 4 ? 1 : 8)));
  }
  #bits(offset, value) {
    const first = 8 * (offset & 0x1c);
    return SLOTS.reduce((bits, number, slot) => {
      const bit = number - first;
      return bits | (bit >= 0 && bit < 32 && (value >>> bit) & 1 ? 1 << slot : 0);
    }, 0);
  }
  read(offset) {
    return { 0x10: this.control, 0x14: this.load, 0xd20: core.SHPR3 }[offset] ?? 0;
  }
  write(offset, value) {
    if (offset === 0x10) {
      this.control = value;
      this.wait();
    } else if (offset === 0x14) this.load = value;
    else if (offset === 0x18) this.wait();
    else if (offset === 0xd20) core.SHPR3 = value;
    else if (offset >= 0x100 && offset < 0x110) {
      core.enabledInterrupts |= this.#bits(offset, value);
      core.interruptsUpdated = true;
    } else if (offset >= 0x180 && offset < 0x190) core.enabledInterrupts &= ~this.#bits(offset, value);
    else complain("write to the processor", offset);
  }
  writeByte(offset, value) {
    const slot = SLOTS.indexOf(offset - 0x400);
    if (slot < 0) return complain("priority of an interrupt that is not emulated", offset);
    for (let priority = 0; priority < 4; priority++) core.interruptPriorities[priority] &= ~(1 << slot);
    core.interruptPriorities[value >> 6] |= 1 << slot;
    core.interruptsUpdated = true;
  }
}

// What the processor reads and writes.
class Stm32f4 {
  constructor(cause) {
    // only processor and clock of that chip are used; it comes with its own of both
    ({ core, clock } = new RP2040());
    core.rp2040 = this;
    const rcc = (this.rcc = new Rcc(cause));
    const syscfg = new Kept();
    this.portA = new Gpio("A", [[5, 3]], () => false);
    this.portB = new Gpio("B", [[0, 0], [1, 1], [10, 2], [13, 4]], (pin) => {
      const input = INPUT_PINS.indexOf(pin);
      return input < 0 ? false : levels[input];
    });
    this.exti = new Exti(syscfg);
    this.usart = new Usart(rcc);
    this.i2c = new I2c(rcc, this.portB);
    this.processor = new Processor(rcc);
    this.otg = new OtgFs(clock, (due) => core.setInterrupt(slotOf("OTG_FS"), due), complain);
    // part, and the register of RCC and its bit that let its clock in
    this.parts = new Map([
      [0x40000000, [new Timer("TIM2", 32, rcc), 0x40, 0]],
      [0x40000400, [new Timer("TIM3", 16, rcc), 0x40, 1]],
      [0x40000800, [new Timer("TIM4", 16, rcc), 0x40, 2]],
      [0x40000c00, [new Timer("TIM5", 32, rcc), 0x40, 3]],
      [0x40003000, [new Watchdog()]],
      [0x40003800, [new Spi(rcc, this.portB), 0x40, 14]],
      [0x40005400, [this.i2c, 0x40, 21]],
      [0x40011000, [this.usart, 0x44, 4]],
      [0x40012000, [new Adc(rcc, this.portA), 0x44, 8]],
      [0x40013800, [syscfg, 0x44, 14]],
      [0x40013c00, [this.exti]],
      [0x40020000, [this.portA, 0x30, 0]],
      [0x40020400, [this.portB, 0x30, 1]],
      [0x40023800, [rcc]],
      [0x40023c00, [new Kept()]],
    ]);
    this.ram = new Uint8Array(RAM_BYTES);
    this.ramView = new DataView(this.ram.buffer);
    this.flashView = new DataView(image.buffer);
    this.logger = console;
  }
  onBreak() {
    ended = true;
  }
  part(address, what) {
    if (address >>> 12 >= 0x50000 && address >>> 12 < 0x50040) return [this.otg, address - 0x50000000];
    if (address >>> 12 === 0xe000e) return [this.processor, address & 0xfff];
    // the converter's common registers lie behind its own
    const base = address >= 0x40012000 && address < 0x40012400 ? 0x40012000 : (address & ~0x3ff) >>> 0;
    const [part, enabling, bit] = this.parts.get(base) ?? [];
    if (!part) complain(`${what} of nothing`, address);
    else if (enabling && !((this.rcc.get(enabling) >> bit) & 1)) complain(`${what} of a part whose clock is off`, address);
    else return [part, address - base];
    return [null, 0];
  }
  readUint32(address) {
    address >>>= 0;
    if (address >= VECTORS) {
      const number = (address - VECTORS) >> 2;
      return this.flashView.getUint32(4 * (number < 16 ? number : 16 + SLOTS[number - 16]), true);
    }
    if (address >= FLASH && address < FLASH + FLASH_BYTES) return this.flashView.getUint32(address - FLASH, true);
    if (address >= RAM && address < RAM + RAM_BYTES) return this.ramView.getUint32(address - RAM, true);
    const [part, offset] = this.part(address, "read");
    return part ? part.read(offset) >>> 0 : 0;
  }
  readUint16(address) {
    if (address >= FLASH && address < FLASH + FLASH_BYTES) return this.flashView.getUint16(address - FLASH, true);
    if (address >= RAM && address < RAM + RAM_BYTES) return this.ramView.getUint16(address - RAM, true);
    return (this.readUint32(address & ~3) >>> (8 * (address & 2))) & 0xffff;
  }
  readUint8(address) {
    if (address >= FLASH && address < FLASH + FLASH_BYTES) return this.flashView.getUint8(address - FLASH);
    if (address >= RAM && address < RAM + RAM_BYTES) return this.ramView.getUint8(address - RAM);
    return (this.readUint32(address & ~3) >>> (8 * (address & 3))) & 0xff;
  }
  writeUint32(address, value) {
    address >>>= 0;
    if (address >= RAM && address < RAM + RAM_BYTES) return this.ramView.setUint32(address - RAM, value, true);
    const [part, offset] = this.part(address, "write");
    part?.write(offset, value >>> 0);
  }
  writeUint16(address, value) {
    if (address >= RAM && address < RAM + RAM_BYTES) return this.ramView.setUint16(address - RAM, value, true);
    complain("write of half a word", address);
  }
  writeUint8(address, value) {
    if (address >= RAM && address < RAM + RAM_BYTES) return this.ramView.setUint8(address - RAM, value);
    if (address >>> 12 === 0xe000e) return this.processor.writeByte(address & 0xfff, value & 255);
    complain("write of a byte", address);
  }
}

function start(cause) {
  if (clock) elapsed = now();
  chip_ = new Stm32f4(cause);
  OUTPUT_PINS.forEach((pin, line) => tell(line, line === MOTOR_ENABLE));
  chip_.toUsb = joinUsbHost(chip_.otg, clock, told);
  chip_.otg.onRefused = chip_.toUsb.refused;
  chip_.otg.onFault = chip_.toUsb.fail;
  core.SP = chip_.readUint32(FLASH);
  core.PC = chip_.readUint32(FLASH + 4) & ~1;
  core.VTOR = VECTORS;
}

const chip = {
  load(path) {
    const program = readFileSync(path);
    image = new Uint8Array(FLASH_BYTES).fill(0xff);
    if (program.length > FLASH_BYTES || program.readUInt32LE(0) !== RAM + RAM_BYTES) {
      console.error(`bench: ${path} is no image for this chip`);
      return false;
    }
    image.set(program);
    lowestStack = RAM + RAM_BYTES;
    start(POWER_FLAGS);
    return true;
  },
  run(until) {
    for (;;) {
      const left = Math.min(until, times[1]) - now();
      if (left <= 0 || ended) break;
      if (core.waiting) {
        clock.tick(Math.max(1, Math.min(clock.nanosToNextAlarm || Infinity, Math.ceil(left / CYCLES_PER_NS))));
      } else {
        clock.tick((core.executeInstruction() * 1e9) / chip_.rcc.processorHz);
        if (core.SP < lowestStack && core.SP > RAM) lowestStack = core.SP;
      }
      if (bitten) {
        bitten = false;
        start(WATCHDOG_FLAGS);
        break;
      }
    }
    times[0] = now();
  },
  drive(line, high) {
    if (line === AMPLIFIER_DATA && (converter === "own_adc" || (converter === "i2c" && !chip_.i2c.device.ready))) high = true;
    if (levels[line] === !!high) return;
    levels[line] = !!high;
    chip_.exti.edge(INPUT_PINS[line], !!high);
  },
  hear(byte) {
    if (line === "usb") chip_.toUsb.send(byte);
    else chip_.usart.hear(byte);
  },
  reset(number) {
    start(CAUSES[number]);
  },
  hang() {
    chip_.processor.write(0x10, 0);
  },
  ended: () => (ended ? 1 : 0),
  stackBytes: () => RAM + RAM_BYTES - lowestStack,
};

process.exit(addon.run(chip, times, process.argv.slice(5)));
