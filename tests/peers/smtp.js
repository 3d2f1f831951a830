"use strict";
// A mail server by smtp-server, whose answers a test chooses. It keeps what it takes as files.

const fs = require("node:fs");
const path = require("node:path");
const { SMTPServer } = require("smtp-server");
const { SMTPConnection } = require("smtp-server/lib/smtp-connection");
const { faultsOf, obey, record } = require("./control");

const COMMANDS = ["CONNECT", "AUTH", "MAIL", "RCPT", "DATA", "END"]; // END: the dot after the text
const faults = faultsOf({
  // what the server says to `command`, of this recipient only if there is one, so many times;
  // 421 closes, too
  answer: ["command", "code", "text", "recipient", "times"],
  delay: ["command", "seconds"], // before the answer
  drop: ["command", "times"], // the connection, in place of an answer
  relay_refused: ["domains"], // 550 5.7.1 to recipients of others
});

let server;
let taken = 0; // messages
const spent = new Map(); // fault as text: how often it has been met

/** Whether a fault holds still; counts it. */
function holds(fault) {
  const key = JSON.stringify(fault);
  const before = spent.get(key) ?? 0;
  spent.set(key, before + 1);
  return before < (fault.times ?? Infinity);
}

function find(name, command, address) {
  return faults
    .all(name)
    .find(
      (fault) =>
        fault.command === command &&
        (fault.recipient === undefined || fault.recipient === address) &&
        holds(fault),
    );
}

function failure(code, text) {
  return Object.assign(new Error(text), { responseCode: code });
}

/** The error that a fault answers `command` with, for the library; null where none does. */
function refusal(command, address) {
  const answer = find("answer", command, address);
  if (answer) return failure(answer.code, answer.text);
  const [relay] = faults.all("relay_refused");
  if (relay && command === "RCPT" && !relay.domains.includes(address.split("@")[1])) {
    return failure(550, "5.7.1 relaying denied");
  }
  return null;
}

/** Comes back when it is time to answer; never, where a fault drops the connection instead. */
async function wait(command, session, address) {
  const delay = find("delay", command, address);
  if (delay) await new Promise((done) => setTimeout(done, 1000 * delay.seconds));
  if (find("drop", command, address)) {
    [...server.connections].find(({ id }) => id === session.id)?._socket.destroy();
    await new Promise(() => {});
  }
}

const hook = (command) => (address, session, callback) =>
  wait(command, session, address.address).then(() => callback(refusal(command, address.address)));

// the library has no hook for the answer to DATA itself, before the text
const takeData = SMTPConnection.prototype.handler_DATA;
SMTPConnection.prototype.handler_DATA = async function (command, callback) {
  await wait("DATA", this.session);
  const error = refusal("DATA");
  if (error === null) return takeData.call(this, command, callback);
  this.send(error.responseCode, error.message);
  return callback();
};

/** Keeps a message that is not refused: before the answer, which may come late or never. */
function take(folder) {
  return (stream, session, callback) => {
    const parts = [];
    stream.on("data", (part) => parts.push(part));
    stream.on("error", () => {}); // the client is gone
    stream.on("end", async () => {
      const error = refusal("END");
      if (error === null) {
        const name = `${String(++taken).padStart(4, "0")}.eml`;
        fs.writeFileSync(path.join(folder, name), Buffer.concat(parts));
        record({
          kept: name,
          from: session.envelope.mailFrom.address,
          to: session.envelope.rcptTo.map(({ address }) => address),
          user: session.user,
          encrypted: session.secure,
        });
      }
      await wait("END", session);
      callback(error);
    });
  };
}

const silent = () => {};
const logger = {
  trace: silent,
  info: silent,
  warn: silent,
  error: silent,
  fatal: silent,
  debug: ({ tnx }, side, line) => {
    if (tnx === "command") record({ client: line });
    if (tnx === "send") record({ server: line });
  },
};

function start({ port, folder, security, certificate, private_key, users, faults: wanted }) {
  check(wanted);
  faults.replace(wanted);
  taken = fs.readdirSync(folder).length;
  const known = Object.keys(users).length > 0;
  server = new SMTPServer({
    name: "mail.invented-shop.example",
    secure: security === "tls",
    cert: certificate && fs.readFileSync(certificate),
    key: private_key && fs.readFileSync(private_key),
    disabledCommands: [
      ...(security === "starttls" ? [] : ["STARTTLS"]),
      ...(known ? [] : ["AUTH"]),
    ],
    allowInsecureAuth: security === "none",
    authMethods: ["PLAIN", "LOGIN"],
    disableReverseLookup: true,
    closeTimeout: 1, // ms, for those still connected
    logger,
    onConnect: (session, callback) =>
      wait("CONNECT", session).then(() => callback(refusal("CONNECT"))),
    onAuth: ({ username, password }, session, callback) =>
      wait("AUTH", session).then(() => {
        const right = username in users && users[username] === password;
        const wrong = right ? null : failure(535, "5.7.8 wrong user or password");
        callback(refusal("AUTH") ?? wrong, { user: username });
      }),
    onMailFrom: hook("MAIL"),
    onRcptTo: hook("RCPT"),
    onData: take(folder),
  });
  server.on("error", silent); // of single connections
  return new Promise((done) => server.listen(port, "127.0.0.1", () => done(null)));
}

function check(wanted) {
  faults.check(wanted);
  for (const { command } of wanted) {
    if (command !== undefined && !COMMANDS.includes(command)) {
      throw new Error(`no command "${command}"; there are ${COMMANDS.join(", ")}`);
    }
  }
}

obey({
  start,
  stop: () => new Promise((done) => server.close(() => done(null))),
  faults({ faults: wanted }) {
    check(wanted);
    faults.replace(wanted);
    spent.clear();
  },
});
