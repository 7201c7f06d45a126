// The emulated RP2040 of the bench: node rp2040_chip.mjs ADDON CONVERTER uart|usb [option of the bench ...]
// FIRMWARE.uf2
//
// The emulator (rp2040js, of npm) has the processor, its interrupts, timer, pins, watchdog and converter. Three things it
// lacks are played here: the ROM's way into the flash's first 256 bytes, the registers that say why the chip was reset
// and give random bits, and the time that bytes take to leave the serial line.
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { resolve } from "node:path";
import { ConsoleLogger, GPIOPinState, LogLevel, RP2040 } from "rp2040js";
import { RegisteredConverter } from "./registered_converter.mjs";
import { joinUsbHost } from "./usb_host.mjs";

const CYCLES_PER_NS = 0.016; // the bench counts time at 16 MHz
const FLASH = 0x10000000;
const RAM = 0x20000000;
const SECOND_STAGE = 0x20041f00; // where the ROM copies it: the last 256 bytes of RAM
const STACK_TOP = 0x20042000;
const BYTE_NS = 40000; // ten bits at 250 000 baud
const BAUD = 250000;

// in the order of simulated_chip.h; pins of ../rp2040/pins.h
const [converter, line] = process.argv.slice(3, 5);
const INPUT_PINS = [2, 3, converter === "i2c" ? 7 : 4, 10, 11, 12];
const OUTPUT_PINS = [14, 13, 15, 25, 6];
const AMPLIFIER_DATA = 2;
const MOTOR_ENABLE = 2; // pulled high on the board: no current while the pin floats
const AMPLIFIER_CLOCK = 4;

const CAUSES = [0x100, 0x10000, 0x100]; // power, pin, and a brown-out, which this chip takes for power
const THERMOMETER = 4; // input of the converter
const CHIP_TEMPERATURE = 891; // 20.1 degC: 27 - (891 x 3.3 / 4096 - 0.706) / 0.001721
const RANDOM_BIT = 0x1c;
const CHIP_RESET = 0x08;
const WATCHDOG_BIT = 1;

const UART_OUT_FULL = 1 << 5;
const UART_OUT_EMPTY = 1 << 7;
const UART_OUT_DUE = 1 << 5;
const UART_FIFO = 32;

const addon = createRequire(import.meta.url)(resolve(process.argv[2]));
const times = new Float64Array(2);

let image, mcu, clock, converts, toUsb, elapsed = 0, bitten = false, cause = CAUSES[0], lowestStack = STACK_TOP, ended = false;
const levels = INPUT_PINS.map(() => false);
let randomState = 1n;

function fromBlocks(bytes) {
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.length);
  const flash = new Uint8Array(0x200000).fill(0xff);
  for (let at = 0; at + 512 <= bytes.length; at += 512) {
    const marks = [view.getUint32(at, true), view.getUint32(at + 4, true), view.getUint32(at + 508, true)];
    if (marks[0] !== 0x0a324655 || marks[1] !== 0x9e5d5157 || marks[2] !== 0x0ab16f30) return null;
    const size = view.getUint32(at + 16, true);
    flash.set(bytes.subarray(at + 32, at + 32 + size), view.getUint32(at + 12, true) - FLASH);
  }
  return flash;
}

// As the datasheet has it: the ROM runs nothing whose checksum is wrong.
function checksum(bytes) {
  let sum = 0xffffffff;
  for (const byte of bytes) {
    sum ^= byte << 24;
    for (let bit = 0; bit < 8; bit++) sum = (sum << 1) ^ (sum & 0x80000000 ? 0x04c11db7 : 0);
  }
  return sum >>> 0;
}

const nothingElse = (name, read) => ({
  readUint32: (offset) => read(offset),
  writeUint32: (offset) => mcu.logger.warn(name, `write to ${offset.toString(16)}`),
  writeUint32Atomic: (offset) => mcu.logger.warn(name, `write to ${offset.toString(16)}`),
});

function randomBit() {
  randomState = (randomState * 6364136223846793005n + 1442695040888963407n) & 0xffffffffffffffffn;
  return Number(randomState >> 63n);
}

// The line's way out: 32 places, a byte each 40 us, and an interrupt when it has run half empty.
function paceLine(uart) {
  const waiting = [];
  const received = Object.getOwnPropertyDescriptor(Object.getPrototypeOf(uart), "flags").get;
  const leave = clock.createAlarm(() => {
    const byte = waiting.shift();
    if (uart.baudRate === BAUD) told(byte);
    if (waiting.length) leave.schedule(BYTE_NS);
    if (waiting.length === UART_FIFO / 2) {
      uart.interruptStatus |= UART_OUT_DUE;
      uart.checkInterrupts();
    }
  });
  Object.defineProperty(uart, "flags", {
    get: () =>
      (received.call(uart) & ~UART_OUT_EMPTY) |
      (waiting.length >= UART_FIFO ? UART_OUT_FULL : 0) |
      (waiting.length ? 0 : UART_OUT_EMPTY),
  });
  uart.checkInterrupts = () => mcu.setInterrupt(uart.irq, !!(uart.interruptStatus & uart.interruptMask));
  uart.onByte = (byte) => {
    if (waiting.length >= UART_FIFO) return; // a byte too many is lost, as on the chip
    waiting.push(byte);
    if (waiting.length === 1) leave.schedule(BYTE_NS);
  };
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

// The same converter behind the chip's SPI: a byte takes eight of the clock's periods, in the mode that it wants.
function joinSpi(spi) {
  const [MODE, RIGHT_MODE] = [0xc0, 0x80];
  let came;
  const end = clock.createAlarm(() => spi.completeTransmit(came));
  spi.onTransmit = () => {
    came = (spi.control0 & MODE) === RIGHT_MODE ? clockOut(8) : 0;
    end.schedule((8 * 1e9) / spi.clockFrequency);
  };
}

function joinI2c(i2c) {
  const device = new RegisteredConverter(clockOut);
  let act;
  const soon = clock.createAlarm(() => act());
  const after = (what) => {
    act = what;
    // nine bits, from the counts of the clock's two halves and what the filter and the bus add
    soon.schedule((9 * (i2c.sclHighPeriod + i2c.sclLowPeriod + i2c.spikelen + 8) * 1e9) / mcu.clkSys);
  };
  i2c.onConnect = (address, mode) => {
    const answers = device.called(address, mode !== 0);
    after(() => i2c.completeConnect(answers));
  };
  i2c.onWriteByte = (byte) => {
    device.write(byte);
    after(() => i2c.completeWrite(true));
  };
  i2c.onReadByte = () => {
    const byte = device.read();
    after(() => i2c.completeRead(byte));
  };
  return () => device.ready;
}

// A host at the chip's USB (usb_host.mjs), which minds whose turn it is: a packet that is not even where it must be (or odd)
// is dropped, as a cable does after a loss.
function joinUsb(usb) {
  const [GIVEN, ODD, STALLS] = [1 << 10, 1 << 13, 1 << 11];
  const [IN_0, OUT_0, IN_1, OUT_1] = [0x80, 0x84, 0x88, 0x8c];
  const odd = { [IN_0]: true, [OUT_0]: true, [IN_1]: false, [OUT_1]: false };
  const host = joinUsbHost(usb, clock, told);
  const given = usb.DPRAMUpdated.bind(usb);
  const ask = usb.sendSetupPacket.bind(usb);
  usb.sendSetupPacket = (packet) => {
    odd[IN_0] = odd[OUT_0] = true;
    ask(packet);
  };
  usb.DPRAMUpdated = (offset, value) => {
    if (offset === IN_0 && value & STALLS) return host.refused();
    if (offset in odd && value & GIVEN) {
      if (!!(value & ODD) !== odd[offset]) return host.fail(`a packet at ${offset.toString(16)} was out of turn`);
      odd[offset] = !odd[offset];
    }
    given(offset, value);
  };
  return host.send;
}

// An analogue amplifier at the chip's own converter. The emulator forgets to lower its interrupt as the queue is read.
function joinAdc(adc) {
  const FIFO = 0x0c;
  const begin = adc.onADCRead;
  const read = adc.readUint32.bind(adc);
  adc.onADCRead = (channel) => {
    times[0] = now();
    adc.channelValues[0] = addon.reading();
    begin(channel);
  };
  adc.readUint32 = (offset) => {
    const value = read(offset);
    if (offset === FIFO) adc.checkInterrupts();
    return value;
  };
}

// The chip's own thermometer, where it is switched on.
function joinThermometer(adc) {
  const begin = adc.onADCRead;
  adc.onADCRead = (channel) => {
    adc.channelValues[THERMOMETER] = adc.temperatueEnable ? CHIP_TEMPERATURE : 0;
    begin(channel);
  };
}

const now = () => elapsed + clock.nanos * CYCLES_PER_NS;

function tell(line, high) {
  times[0] = now();
  addon.output(line, high);
}

function told(byte) {
  times[0] = now();
  addon.said(byte);
}

function start(watchdogBit) {
  if (clock) elapsed = now();
  mcu = new RP2040();
  clock = mcu.clock;
  mcu.logger = new ConsoleLogger(LogLevel.Warn, false);
  mcu.flash.set(image);
  mcu.peripherals[0x40060] = nothingElse("ROSC", (offset) => (offset === RANDOM_BIT ? randomBit() : 0));
  mcu.peripherals[0x40064] = nothingElse("RESET", (offset) => (offset === CHIP_RESET ? cause : 0));
  const watchdog = mcu.peripherals[0x40058];
  watchdog.reason = watchdogBit;
  watchdog.onWatchdogTrigger = () => {
    watchdog.timer.enable = false; // it would ring for ever at zero
    bitten = true;
  };
  mcu.onBreak = () => (ended = true);
  if (line === "usb") toUsb = joinUsb(mcu.usbCtrl);
  else paceLine(mcu.uart[0]);
  converts = () => true;
  if (converter === "spi") joinSpi(mcu.spi[0]);
  if (converter === "i2c") converts = joinI2c(mcu.i2c[0]);
  joinThermometer(mcu.adc);
  if (converter === "own_adc") joinAdc(mcu.adc);
  OUTPUT_PINS.forEach((pin, line) => {
    // the chip reads back the level of a pin that it drives, as its own input
    const show = (high) => {
      tell(line, high);
      mcu.gpio[pin].setInputValue(high);
    };
    show(line === MOTOR_ENABLE);
    mcu.gpio[pin].addListener((state) =>
      show(state === GPIOPinState.High || (line === MOTOR_ENABLE && state !== GPIOPinState.Low)),
    );
  });
  levels.forEach((high, line) => mcu.gpio[INPUT_PINS[line]].setInputValue(high));
  mcu.sram.set(image.subarray(0, 256), SECOND_STAGE - RAM);
  mcu.core.SP = STACK_TOP;
  mcu.core.PC = SECOND_STAGE;
}

const chip = {
  load(path) {
    image = fromBlocks(readFileSync(path));
    const wanted = image && new DataView(image.buffer).getUint32(252, true);
    if (!image || checksum(image.subarray(0, 252)) !== wanted) {
      console.error(`bench: ${path} is no image that the boot ROM would start`);
      return false;
    }
    start(0);
    return true;
  },
  run(until) {
    const { core } = mcu;
    for (;;) {
      const left = Math.min(until, times[1]) - now();
      if (left <= 0 || ended) break;
      if (core.waiting) {
        clock.tick(Math.max(1, Math.min(clock.nanosToNextAlarm || Infinity, Math.ceil(left / CYCLES_PER_NS))));
      } else {
        clock.tick((core.executeInstruction() * 1e9) / mcu.clkSys);
        if (core.SP < lowestStack && core.SP > RAM) lowestStack = core.SP;
      }
      if (bitten) {
        bitten = false;
        start(WATCHDOG_BIT);
        break;
      }
    }
    times[0] = now();
  },
  drive(line, high) {
    if (line === AMPLIFIER_DATA && (converter === "own_adc" || !converts())) high = true;
    if (levels[line] === !!high) return;
    levels[line] = !!high;
    mcu.gpio[INPUT_PINS[line]].setInputValue(!!high);
  },
  hear(byte) {
    if (line === "usb") return toUsb(byte);
    const uart = mcu.uart[0];
    if (uart.baudRate === BAUD && !uart.rxFIFO.full) uart.feedByte(byte);
  },
  reset(number) {
    cause = CAUSES[number];
    start(0);
  },
  hang() {
    const timer = mcu.peripherals[0x40054];
    timer.writeUint32(0x38, timer.readUint32(0x38) & ~4);
  },
  ended: () => (ended ? 1 : 0),
  stackBytes: () => STACK_TOP - lowestStack,
};

process.exit(addon.run(chip, times, process.argv.slice(5)));
