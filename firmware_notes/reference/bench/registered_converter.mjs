// A converter with registers on I2C. It converts only once it has been set up as the kind wants it: reset, digital side, analogue
// side; ready line low; 80 in a second; begun. Its value is there until it has been read.
const [ADDRESS, POWER, LINE, RATE, VALUE] = [0x2a, 0x00, 0x01, 0x02, 0x12];
const VALUE_BITS = 24;

export class RegisteredConverter {
  #registers = new Uint8Array(32);
  #at = null;
  #value = 0;
  #clockOut;

  // clockOut(bits) gives that many bits of the conversion that has ended, highest first
  constructor(clockOut) {
    this.#clockOut = clockOut;
  }

  get ready() {
    const registers = this.#registers;
    return (registers[POWER] & 0x16) === 0x16 && !!(registers[LINE] & 0x80) && registers[RATE] === 0x30;
  }

  // Whether it answers to this address.
  called(address, reading) {
    if (!reading) this.#at = null;
    return address === ADDRESS;
  }

  write(byte) {
    if (this.#at === null) {
      this.#at = byte;
      return;
    }
    if (this.#at === POWER && byte & 1) this.#registers.fill(0);
    this.#registers[this.#at++ & 31] = byte;
  }

  read() {
    const at = this.#at++;
    if (at === VALUE) {
      this.#value = this.#clockOut(VALUE_BITS);
      this.#clockOut(1);
    }
    return at >= VALUE && at < VALUE + 3 ? (this.#value >> (8 * (VALUE + 2 - at))) & 0xff : this.#registers[at & 31];
  }
}
