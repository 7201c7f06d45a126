// A host at a chip's USB. It asks what systems ask of a serial port, in turn, and takes the answers apart.
//
// joinUsbHost(usb, clock, told): `usb` is the emulated part, with the methods and events that rp2040js gives its own; told(byte)
// takes what the chip says. Gives back send(byte), refused() for a request that the chip does not answer, and fail(why).
export function joinUsbHost(usb, clock, told) {
  const request = (kind, number, value, index, length, data) => ({ kind, number, value, index, length, data });
  const read = (descriptor, length) => request(0x80, 6, descriptor, 0, length);
  const asked = [
    read(0x100, 8),
    request(0, 5, 1, 0, 0), // address 1
    read(0x100, 18),
    read(0x600, 10), // a qualifier, which a device of one speed refuses
    read(0x200, 9),
    read(0x200, 0),
    read(0x300, 255),
    read(0x301, 255),
    read(0x302, 255),
    request(0, 9, 1, 0, 0), // configuration 1
    request(0x21, 0x20, 0, 0, 7, [0x90, 0xd0, 0x03, 0, 0, 0, 8]), // 250 000 baud
    request(0xa1, 0x21, 0, 0, 7),
    request(0x21, 0x22, 3, 0, 0), // DTR and RTS
  ];
  const outgoing = [];
  let now_asked = null, came = [], free = 0, open = false, act;
  const alarm = clock.createAlarm(() => act());
  const later = (what) => {
    act = what;
    alarm.schedule(100000); // a host takes its time, and what the chip has given arrives meanwhile
  };
  const fail = (why) => console.error(`bench: USB: ${why}`);

  function next() {
    now_asked = asked.shift() ?? null;
    came = [];
    if (!now_asked) return void (open = true);
    const { kind, number, value, index, length } = now_asked;
    usb.sendSetupPacket(Uint8Array.of(kind, number, value & 255, value >> 8, index & 255, index >> 8, length & 255, length >> 8));
  }
  function answered() {
    const { number, value, kind, length } = now_asked;
    if (number === 6 && came[0] !== (value === 0x200 && length === 9 ? 9 : came.length) && value !== 0x200 && length > 8)
      fail(`descriptor ${value.toString(16)} has ${came.length} bytes`);
    if (number === 6 && value === 0x200 && length === 9) asked[0].length = came[2] | (came[3] << 8);
    if (number === 6 && value === 0x200 && length > 9) {
      let at = 0;
      while (at < came.length && came[at]) at += came[at];
      if (at !== came.length || came.length !== length) return fail("the configuration's parts do not add up");
    }
    if (kind === 0xa1 && came[1] !== 0xd0) return fail("the line coding was not kept");
    next();
  }
  function refused() {
    if (!now_asked) return;
    if (now_asked.value !== 0x600) return fail(`request ${now_asked.number} was refused`);
    later(next);
  }
  usb.onUSBEnabled = () => usb.resetDevice();
  usb.onResetReceived = next;
  usb.onEndpointWrite = (endpoint, bytes) => {
    if (endpoint === 1) {
      bytes.forEach(told);
    } else if (endpoint === 0 && now_asked) {
      came.push(...bytes);
      if (!(now_asked.kind & 0x80)) later(next);
    }
  };
  usb.onEndpointRead = (endpoint, size) => {
    if (endpoint === 0) {
      usb.endpointReadDone(0, Uint8Array.from(size ? now_asked.data : []));
      if (!size) later(answered);
    } else {
      free = size;
      hand();
    }
  };
  function hand() {
    if (!free || !outgoing.length) return;
    const bytes = outgoing.splice(0, free);
    free = 0;
    usb.endpointReadDone(1, Uint8Array.from(bytes));
  }
  const send = (byte) => {
    if (!open) return;
    outgoing.push(byte);
    hand();
  };
  return { send, refused, fail };
}

