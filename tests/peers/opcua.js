"use strict";
// An OPC UA server by node-opcua, with the pump of pump.js and faults to switch on.

const fs = require("node:fs");
const path = require("node:path");

const RealDate = Date;
let clockOffset = 0; // s that this server's clock is ahead

// before the library is loaded: every time that the server tells comes from here
globalThis.Date = class extends RealDate {
  constructor(...given) {
    if (given.length > 0) super(...given);
    else super(RealDate.now() + 1000 * clockOffset);
  }
  static now() {
    return RealDate.now() + 1000 * clockOffset;
  }
};

const {
  DataType,
  DataValue,
  MessageSecurityMode,
  OPCUACertificateManager,
  OPCUAServer,
  Range,
  SecurityPolicy,
  StatusCodes,
  VariantArrayType,
  makeEUInformation,
  nodesets,
  periodicClockAdjustment,
  resolveNodeId,
  standardUnits,
} = require("node-opcua");
const { readCertificate } = require("node-opcua-crypto");
const { faultsOf, obey, record } = require("./control");
const { pumpOf } = require("./pump");

const NAMESPACE = "urn:invented-shop:pump";
const PSI = 14.503773773; // in a bar, from the exact pound and inch
const SECURITY_ADMIN = "ns=0;i=15704"; // a role that no client has here
const UNITS = {
  bar: standardUnits.bar,
  psi: makeEUInformation("PS", "psi", "pound-force per square inch"),
  strokes: makeEUInformation("C94", "1/min", "reciprocal minute"),
};
const NODES = {
  pressure: { name: "Pressure", type: DataType.Double, unit: UNITS.bar, low: 0, high: 4500 },
  stroke_count: { name: "StrokeCount", type: DataType.UInt32 },
  rate: { name: "StrokeRate", type: DataType.Double, unit: UNITS.strokes, low: 0, high: 60 },
  valve: { name: "JetValve", type: DataType.Boolean },
  temperature: {
    name: "WaterTemperature",
    type: DataType.Float,
    unit: standardUnits.degree_celsius,
    low: -10,
    high: 80,
  },
};
const faults = faultsOf({
  bad_status: ["channel", "status"], // such as BadSensorFailure
  missing: ["channel"], // the node is not there
  no_access: ["channel"], // nobody may read it
  text: ["channel"], // the number as a string
  boolean: ["channel"], // whether there is one
  array: ["channel"], // the number twice
  null: ["channel"], // good, and without a value
  value: ["channel", "value"], // whatever number is given
  nan: ["channel"], // not a number, where it is of a kind that can say so
  frozen: ["channel"], // the value stays, the time does not
  stale: ["channel"], // neither value nor time move
  full_scale: ["channel"], // at the top of its EURange
  psi: ["announced"], // pressure in psi; EngineeringUnits say so if `announced`
  namespace: [], // the pump has index 3, from the next start
  source_time: ["channel", "at"], // of every value, s since 1970
  // s that the server's clock is ahead; a step of more than 75 min cuts off connected clients
  clock: ["offset"],
  untrusted: [], // no client certificate is trusted
});

let server, pump, pki, folder, timer;
let published = 0; // s of the pump's day
const nodes = {}; // channel: variable
const shown = {}; // channel: last value, for frozen ones

/** What the server says of `channel`, as a Variant. */
function reading(channel, t) {
  const { type, high } = NODES[channel];
  if (!faults.on("frozen", channel) || !(channel in shown)) shown[channel] = pump.at(t)[channel];
  let value = shown[channel];
  if (faults.on("full_scale", channel)) value = high ?? 2 ** 32 - 1;
  if (channel === "pressure" && faults.on("psi")) value *= PSI;
  if (faults.on("value", channel)) value = faults.on("value", channel).value;
  if (faults.on("nan", channel) && type !== DataType.UInt32) value = NaN;
  if (type === DataType.UInt32) value = ((Math.floor(value) % 2 ** 32) + 2 ** 32) % 2 ** 32;
  if (type === DataType.Boolean) value = Boolean(value);
  if (faults.on("null", channel)) return { dataType: DataType.Null };
  if (faults.on("text", channel)) return { dataType: DataType.String, value: String(value) };
  if (faults.on("boolean", channel)) return { dataType: DataType.Boolean, value: value > 0 };
  if (faults.on("array", channel)) {
    return { dataType: type, arrayType: VariantArrayType.Array, value: [value, value] };
  }
  return { dataType: type, value };
}

function publish(channel, t) {
  const variable = nodes[channel];
  if (variable === undefined || faults.on("stale", channel)) return;
  if (pump.at(t)[channel] === undefined) return; // a logged day may lack it
  const variant = reading(channel, t);
  const known = variant.dataType !== DataType.Null;
  variable.dataType = resolveNodeId(DataType[known ? variant.dataType : NODES[channel].type]);
  variable._basicDataType = null; // which the library remembers
  variable.valueRank = variant.arrayType === VariantArrayType.Array ? 1 : -1;
  const at = pump.clock(t) + clockOffset;
  const value = new DataValue({
    value: variant,
    statusCode: StatusCodes[faults.on("bad_status", channel)?.status ?? "Good"],
    sourceTimestamp: new RealDate(1000 * (faults.on("source_time", channel)?.at ?? at)),
    serverTimestamp: new RealDate(1000 * at),
  });
  // setValueFromSource would take one time for both
  variable._internal_set_dataValue(value);
}

function publishNews() {
  const now = pump.now();
  for (const t of pump.instants(published, now)) {
    for (const channel of Object.keys(NODES)) publish(channel, t);
  }
  published = Math.max(published, now);
}

function addNode(channel, device) {
  const { name, type, unit, low, high } = NODES[channel];
  const namespace = device.namespace;
  const common = {
    componentOf: device,
    browseName: name,
    nodeId: `ns=${namespace.index};s=Pump.${name}`,
    dataType: DataType[type],
    minimumSamplingInterval: 0,
    accessLevel: "CurrentRead",
    userAccessLevel: "CurrentRead",
  };
  nodes[channel] =
    unit === undefined
      ? namespace.addVariable(common)
      : namespace.addAnalogDataItem({
          ...common,
          engineeringUnits: unit,
          engineeringUnitsRange: { low, high },
          acceptValueOutOfRange: true,
        });
}

function announce(unit, scale) {
  const { low, high } = NODES.pressure;
  const properties = {
    EngineeringUnits: unit,
    EURange: new Range({ low: low * scale, high: high * scale }),
  };
  for (const [name, value] of Object.entries(properties)) {
    const property = nodes.pressure.getPropertyByName(name);
    property.setValueFromSource({ dataType: DataType.ExtensionObject, value });
  }
}

function check(wanted) {
  faults.check(wanted);
  for (const { channel, status } of wanted) {
    if (channel !== undefined && !(channel in NODES)) {
      throw new Error(`no channel "${channel}"; there are ${Object.keys(NODES).join(", ")}`);
    }
    if (status !== undefined && !(status in StatusCodes)) throw new Error(`no status "${status}"`);
  }
}

/** Makes nodes, rights, trust and clock as the faults have them. */
async function applyFaults() {
  const space = server.engine.addressSpace;
  const device = space.rootFolder.objects.getFolderElementByName("Pump");
  const nobody = [{ roleId: SECURITY_ADMIN, permissions: 0xffff }];
  clockOffset = faults.on("clock")?.offset ?? 0;
  for (const channel of Object.keys(NODES)) {
    if (faults.on("missing", channel) && nodes[channel]) {
      space.deleteNode(nodes[channel]);
      delete nodes[channel];
    } else if (!faults.on("missing", channel) && !nodes[channel]) {
      addNode(channel, device);
    }
    nodes[channel]?.setRolePermissions(faults.on("no_access", channel) ? nobody : undefined);
  }
  if (nodes.pressure) {
    const told = faults.on("psi")?.announced;
    announce(told ? UNITS.psi : UNITS.bar, told ? PSI : 1);
  }
  pki.automaticallyAcceptUnknownCertificate = !faults.on("untrusted");
  if (faults.on("untrusted")) {
    const trusted = path.join(folder, "trusted", "certs");
    for (const file of fs.readdirSync(trusted)) {
      await pki.rejectCertificate(readCertificate(path.join(trusted, file)));
    }
  }
  for (const channel of Object.keys(NODES)) publish(channel, pump.now());
}

async function start({ port, pki_folder, users, anonymous, day, faults: wanted }) {
  check(wanted);
  folder = pki_folder;
  pki = new OPCUACertificateManager({
    rootFolder: folder,
    automaticallyAcceptUnknownCertificate: true,
  });
  periodicClockAdjustment.interval = 100; // ms, for a clock that is set
  server = new OPCUAServer({
    host: "127.0.0.1",
    hostname: "127.0.0.1",
    port,
    // as long as the client wants it, so that its channel outlives a clock that is set by an hour
    defaultSecureTokenLifetime: 24 * 3600 * 1000,
    nodesets: [nodesets.standard],
    serverInfo: { applicationUri: "urn:invented-shop:controller" },
    serverCertificateManager: pki,
    userCertificateManager: pki,
    securityPolicies: [SecurityPolicy.None, SecurityPolicy.Basic256Sha256],
    securityModes: [MessageSecurityMode.None, MessageSecurityMode.SignAndEncrypt],
    allowAnonymous: anonymous,
    userManager: { isValidUser: (user, password) => user in users && users[user] === password },
  });
  await server.initialize();
  const space = server.engine.addressSpace;
  faults.replace(wanted);
  if (faults.on("namespace")) space.registerNamespace("urn:invented-shop:other");
  const namespace = space.registerNamespace(NAMESPACE);
  namespace.addObject({
    organizedBy: space.rootFolder.objects,
    browseName: "Pump",
    nodeId: `ns=${namespace.index};s=Pump`,
  });
  pump = pumpOf(day);
  published = pump.now();
  await applyFaults();
  server.on("request", (request) => record({ request: request.schema.name }));
  await server.start();
  timer = setInterval(publishNews, 50);
  return { certificate: server.certificateFile };
}

obey({
  start,
  async stop() {
    clearInterval(timer);
    await server.shutdown(0);
    for (const channel of Object.keys(nodes)) delete nodes[channel];
  },
  async faults({ faults: wanted }) {
    check(wanted);
    if (Boolean(faults.on("namespace")) !== wanted.some(({ name }) => name === "namespace")) {
      throw new Error('"namespace" has to be set while the server is down');
    }
    const before = faults.replace(wanted);
    try {
      await applyFaults();
    } catch (error) {
      faults.replace(before);
      await applyFaults();
      throw error;
    }
  },
});
