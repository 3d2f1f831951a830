"use strict";
// A Modbus TCP server by modbus-serial, with the pump of pump.js and faults to switch on.

const { ServerTCP } = require("modbus-serial");
const { faultsOf, obey, record } = require("./control");
const { pumpOf } = require("./pump");

// address: channel, type, scale (register = value / scale), and order of its four or two bytes.
// Input registers (function 4) and holding registers (3) are the same here.
const REGISTERS = {
  0: { channel: "pressure", type: "float32", order: "ABCD" },
  2: { channel: "pressure", type: "float32", order: "CDAB" },
  4: { channel: "pressure", type: "float32", order: "BADC" },
  6: { channel: "pressure", type: "float32", order: "DCBA" },
  8: { channel: "pressure", type: "uint16", scale: 0.1, order: "AB" },
  9: { channel: "stroke_count", type: "uint16", order: "AB" },
  10: { channel: "stroke_count", type: "uint32", order: "ABCD" },
  12: { channel: "stroke_count", type: "uint32", order: "CDAB" },
  14: { channel: "rate", type: "uint16", scale: 0.1, order: "AB" },
  15: { channel: "rate", type: "float32", order: "ABCD" },
  17: { channel: "temperature", type: "int16", scale: 0.1, order: "AB" },
  18: { channel: "valve", type: "uint16", order: "AB" },
};
const VALVE = 0; // coil and discrete input

const faults = faultsOf({
  exception: ["code", "addresses"], // of requests that touch one of the addresses, or of all
  silent: [], // no answer; another unit id than the server's never gets one
  delay: ["seconds"], // before each answer
  close: [], // the connection, at each request
  frozen: ["channel"], // the value stays
  value: ["channel", "value"], // whatever number is given
  nan: ["channel"], // in its floats
  swapped_words: ["channel"], // low word first where the high one should be, and the reverse
  swapped_channels: [], // pressure in place of temperature, and the reverse
});

let server, pump;
const shown = {}; // channel: last value, for frozen ones

function reading(channel) {
  if (faults.on("swapped_channels")) {
    channel = { pressure: "temperature", temperature: "pressure" }[channel] ?? channel;
  }
  if (!faults.on("frozen", channel) || !(channel in shown)) {
    shown[channel] = pump.at(pump.now())[channel];
  }
  if (shown[channel] === undefined) throw refusal(2); // a logged day may lack it
  if (faults.on("value", channel)) return Number(faults.on("value", channel).value);
  return Number(shown[channel]);
}

/** The bytes of one entry of REGISTERS as they go over the wire. */
function bytesOf({ channel, type, scale = 1, order }) {
  let value = reading(channel);
  const bytes = Buffer.alloc(order.length);
  if (type === "float32") bytes.writeFloatBE(faults.on("nan", channel) ? NaN : value);
  else {
    value = Math.round(value / scale);
    const size = order.length;
    bytes.writeUIntBE(((value % 2 ** (8 * size)) + 2 ** (8 * size)) % 2 ** (8 * size), 0, size);
  }
  const placed = Buffer.from(Array.from(order, (letter) => bytes[letter.charCodeAt(0) - 65]));
  return faults.on("swapped_words", channel) && order.length === 4
    ? Buffer.concat([placed.subarray(2), placed.subarray(0, 2)])
    : placed;
}

function refusal(code) {
  return Object.assign(new Error(`exception ${code}`), { modbusErrorCode: code });
}

/** Throws where a fault refuses `count` registers or bits from `address` on. */
function refuse(address, count) {
  for (const { code, addresses } of faults.all("exception")) {
    const touched = addresses?.some((one) => one >= address && one < address + count) ?? true;
    if (touched) throw refusal(code ?? 2);
  }
}

/** The words from `address` on, all of one moment; throws where a real map has a hole. */
function registers(address, count) {
  refuse(address, count);
  const values = {};
  return Array.from({ length: count }, (_, i) => {
    const at = address + i;
    const first = at in REGISTERS ? at : at - 1;
    const wide = at === first || REGISTERS[first]?.order.length === 4;
    if (!(first in REGISTERS) || !wide) throw refusal(2);
    values[first] ??= bytesOf(REGISTERS[first]);
    return values[first].readUInt16BE(2 * (at - first));
  });
}

function bit(address) {
  refuse(address, 1);
  if (address !== VALVE) throw refusal(2);
  return reading("valve") !== 0;
}

/** Answers as the library wants them, a promise each: late or never where a fault says so. */
function answers(count, read) {
  let words, error;
  try {
    words = read();
  } catch (thrown) {
    error = thrown;
  }
  const seconds = faults.on("delay")?.seconds ?? 0;
  return Array.from({ length: count }, async (_, i) => {
    if (faults.on("silent")) await new Promise(() => {});
    if (seconds) await new Promise((done) => setTimeout(done, 1000 * seconds));
    if (error) throw error;
    return words[i];
  });
}

const words = (address, count) => answers(count, () => registers(address, count));
const word = (address) => words(address, 1)[0];
const oneBit = (address) => answers(1, () => [bit(address)])[0];
const refuseToWrite = () => answers(1, () => refuseAll())[0];

function refuseAll() {
  throw refusal(1);
}

/** Logs each request as it comes off the wire, and closes where a fault says so. */
function listen(socket) {
  let received = Buffer.alloc(0);
  socket.on("error", () => {}); // the client is gone
  socket.on("data", (data) => {
    received = Buffer.concat([received, data]);
    while (received.length >= 8 && received.length >= 6 + received.readUInt16BE(4)) {
      const frame = received.subarray(0, 6 + received.readUInt16BE(4));
      received = received.subarray(frame.length);
      record({ unit: frame[6], function: frame[7], data: frame.subarray(8).toString("hex") });
      if (faults.on("close")) socket.destroy();
    }
  });
}

function start({ port, unit_id, day, faults: wanted }) {
  faults.check(wanted);
  faults.replace(wanted);
  pump = pumpOf(day);
  server = new ServerTCP(
    {
      getMultipleHoldingRegisters: words,
      getMultipleInputRegisters: words,
      getHoldingRegister: word,
      getInputRegister: word,
      getCoil: oneBit,
      getDiscreteInput: oneBit,
      setRegister: refuseToWrite,
      setRegisterArray: refuseToWrite,
      setCoil: refuseToWrite,
      setCoilArray: refuseToWrite,
    },
    { host: "127.0.0.1", port, unitID: unit_id },
  );
  server._server.on("connection", listen);
  return new Promise((done, failed) => {
    server.once("initialized", () => done({ registers: REGISTERS }));
    server.once("serverError", failed);
  });
}

obey({
  start,
  stop: () => new Promise((done) => server.close(() => done(null))),
  faults({ faults: wanted }) {
    faults.check(wanted);
    faults.replace(wanted);
  },
});
