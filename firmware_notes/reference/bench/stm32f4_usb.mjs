// The USB part of the emulated STM32F4: OTG_FS as a device, from the reference manual as recalled. To a host it looks like
// the part of rp2040js: sendSetupPacket, resetDevice, endpointReadDone, and the events on....
const [GAHBCFG, GRSTCTL, GINTSTS, GINTMSK, GRXSTSP, GRXFSIZ, DIEPTXF0, GCCFG] = [0x08, 0x10, 0x14, 0x18, 0x20, 0x24, 0x28, 0x38];
const [DCFG, DCTL, DIEPMSK, DOEPMSK, DAINT, DAINTMSK] = [0x800, 0x804, 0x810, 0x814, 0x818, 0x81c];
const [RXFLVL, USBRST, ENUMDNE, IEPINT, OEPINT] = [1 << 4, 1 << 12, 1 << 13, 1 << 18, 1 << 19];
const [EPENA, CNAK, STALL, USBAEP] = [0x80000000, 1 << 26, 1 << 21, 1 << 15];
const [XFRC, STUP] = [1, 8];
const [OUT_DATA, OUT_DONE, SETUP_DONE, SETUP_DATA] = [2, 3, 4, 6];
const MEMORY_WORDS = 320;
const PACKET = 64;
const PACKET_NS = 10000;
const RESET_NS = 10e6;
const SPEED_FOUND_NS = 1e6;

export class OtgFs {
  onUSBEnabled = () => {};
  onResetReceived = () => {};
  onEndpointWrite = () => {};
  onEndpointRead = () => {};
  onRefused = () => {};
  onFault = () => {};

  #words = new Map();
  #status = 0;
  #queue = []; // what the host sent: {endpoint, kind, bytes}
  #incoming = []; // words of the packet whose head was taken
  #in = [0, 1, 2].map(() => ({ interrupts: 0, size: 0, bytes: [], enabled: false }));
  #out = [0, 1, 2].map(() => ({ interrupts: 0, enabled: false }));
  #tell;

  constructor(clock, tell) {
    this.#tell = tell;
    this.clock = clock;
    this.resetAlarm = clock.createAlarm(() => this.#flag(USBRST, this.enumAlarm));
    this.enumAlarm = clock.createAlarm(() => this.#flag(ENUMDNE));
    this.#in.forEach((part, endpoint) => (part.alarm = clock.createAlarm(() => this.#left(endpoint))));
    this.#out.forEach((part) => (part.alarm = clock.createAlarm(() => part.arrive())));
  }

  #get(offset) {
    return this.#words.get(offset) ?? 0;
  }

  #flag(bit, next) {
    this.#status |= bit;
    next?.schedule(SPEED_FOUND_NS);
    this.#update();
  }

  resetDevice() {
    this.resetAlarm.schedule(RESET_NS);
  }

  sendSetupPacket(bytes) {
    for (const offset of [0x900, 0xb00]) this.#words.set(offset, this.#get(offset) & ~STALL);
    if (!(this.#get(0xb10) >>> 29)) return this.onFault("no question was let in");
    this.#queue.push({ endpoint: 0, kind: SETUP_DATA, bytes }, { endpoint: 0, kind: SETUP_DONE, bytes: [] });
    this.#update();
  }

  endpointReadDone(endpoint, bytes) {
    const part = this.#out[endpoint];
    part.arrive = () => {
      this.#queue.push({ endpoint, kind: OUT_DATA, bytes }, { endpoint, kind: OUT_DONE, bytes: [] });
      this.#update();
    };
    part.alarm.schedule(PACKET_NS);
  }

  #left(endpoint) {
    const part = this.#in[endpoint];
    const bytes = Uint8Array.from(part.bytes.splice(0, part.size));
    part.bytes = [];
    part.enabled = part.leaving = false;
    part.interrupts |= XFRC;
    this.onEndpointWrite(endpoint, bytes);
    this.#update();
  }

  #interrupts() {
    const [inMask, outMask] = [this.#get(DIEPMSK), this.#get(DOEPMSK)];
    return [0, 1, 2].reduce(
      (bits, endpoint) =>
        bits |
        (this.#in[endpoint].interrupts & inMask ? 1 << endpoint : 0) |
        (this.#out[endpoint].interrupts & outMask ? 1 << (16 + endpoint) : 0),
      0,
    );
  }

  #pending() {
    const endpoints = this.#interrupts() & this.#get(DAINTMSK);
    return (
      this.#status | (this.#queue.length ? RXFLVL : 0) | (endpoints & 0xffff ? IEPINT : 0) | (endpoints & 0xffff0000 ? OEPINT : 0)
    );
  }

  #update() {
    this.#tell(!!(this.#get(GAHBCFG) & 1 && this.#pending() & this.#get(GINTMSK)));
  }

  #take() {
    const entry = this.#queue.shift();
    if (!entry) return this.onFault("nothing was in the queue"), 0;
    const { endpoint, kind, bytes } = entry;
    this.#incoming = [];
    for (let at = 0; at < bytes.length; at += 4)
      this.#incoming.push([0, 1, 2, 3].reduce((word, byte) => word | ((bytes[at + byte] ?? 0) << (8 * byte)), 0));
    if (kind === SETUP_DONE) this.#out[endpoint].interrupts |= STUP;
    if (kind === OUT_DONE) {
      this.#out[endpoint].interrupts |= XFRC;
      this.#out[endpoint].enabled = false;
    }
    this.#update();
    return endpoint | (bytes.length << 4) | (kind << 17);
  }

  read(offset) {
    if (offset >= 0x1000) return this.#incoming.shift() ?? (this.onFault("more was read than came"), 0);
    if (offset === GRSTCTL) return 0x80000000;
    if (offset === GINTSTS) return this.#pending();
    if (offset === GRXSTSP) return this.#take();
    if (offset === DAINT) return this.#interrupts();
    const endpoint = (offset >> 5) & 7;
    if (offset >= 0x900 && offset < 0xc00 && (offset & 31) === 8) return (offset < 0xb00 ? this.#in : this.#out)[endpoint].interrupts;
    return this.#get(offset);
  }

  write(offset, value) {
    if (offset >= 0x1000) return this.#fill((offset >> 12) - 1, value);
    const before = this.#get(offset);
    if (offset === GINTSTS) {
      const found = this.#status & value & ENUMDNE;
      this.#status &= ~value;
      this.#update();
      // the first time the host may ask
      if (found && this.#get(DCFG) === 3) this.onResetReceived();
      return;
    }
    if (offset >= 0x900 && offset < 0xc00) this.#endpoint(offset, value);
    else this.#words.set(offset, value);
    if (offset === DCTL && before & 2 && !(value & 2)) {
      if (this.#get(GCCFG) & (1 << 16)) this.onUSBEnabled();
      else this.onFault("the transceiver is off");
    }
    this.#update();
  }

  #endpoint(offset, value) {
    const [out, endpoint, which] = [offset >= 0xb00, (offset >> 5) & 7, offset & 31];
    const part = (out ? this.#out : this.#in)[endpoint];
    if (which === 8) part.interrupts &= ~value;
    else if (which !== 0) this.#words.set(offset, value);
    else {
      // bits that order something, and do not stay
      this.#words.set(offset, (value & ~(EPENA | (0xf << 26) | (1 << 30))) >>> 0);
      if (!out && endpoint === 0 && value & STALL) this.onRefused();
      if (value & EPENA && value & CNAK && !part.enabled) this.#enable(part, out, endpoint, value);
    }
  }

  #enable(part, out, endpoint, control) {
    const size = this.#get((out ? 0xb10 : 0x910) + 32 * endpoint);
    const bulk = (control & (USBAEP | (3 << 18) | 0x7ff)) === (USBAEP | (2 << 18) | PACKET);
    if (endpoint === 1 && !bulk) return this.onFault("endpoint 1 is not there");
    if (!out && ((control >> 22) & 15) !== endpoint) return this.onFault(`queue of another endpoint than ${endpoint}`);
    if (((size >> 19) & (endpoint ? 0x3ff : 1)) !== 1) return this.onFault("not one packet");
    part.enabled = true;
    part.size = size & 0x7f;
    if (out) this.onEndpointRead(endpoint, part.size);
    else this.#whole(part);
  }

  #fill(endpoint, word) {
    const part = this.#in[endpoint];
    const where = this.#get(endpoint ? 0x100 + 4 * endpoint : DIEPTXF0);
    const [from, room] = [where & 0xffff, where >>> 16];
    if (!part.enabled) return this.onFault(`bytes for endpoint ${endpoint} before it was told of them`);
    if (from < this.#get(GRXFSIZ) || from + room > MEMORY_WORDS || part.bytes.length / 4 >= room)
      return this.onFault(`the queue of endpoint ${endpoint} has no room`);
    for (let byte = 0; byte < 4; byte++) part.bytes.push((word >>> (8 * byte)) & 255);
    this.#whole(part);
  }

  // Sent once all of its words are there.
  #whole(part) {
    if (part.bytes.length < part.size || part.leaving) return;
    part.leaving = true;
    part.alarm.schedule(PACKET_NS);
  }
}
