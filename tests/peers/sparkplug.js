"use strict";
// An edge node of Sparkplug B at a broker: sparkplug-client, of Eclipse Tahu. It publishes its
// births when it connects and when it is asked to, and its death is its will. Every data metric
// states its datatype: this client can't leave it out.

const { newClient } = require("sparkplug-client");
const { faultsOf, obey, record } = require("./control.js");

const faults = faultsOf({});
let client;
let born = {}; // metrics by device, "" for the node's own

function stamped(metrics) {
  const timestamp = Date.now();
  return { timestamp, metrics: metrics.map((metric) => ({ timestamp, ...metric })) };
}

function publishBirths() {
  client.publishNodeBirth(stamped([...(born[""] ?? [])]));
  for (const [device, metrics] of Object.entries(born)) {
    if (device) client.publishDeviceBirth(device, stamped(metrics));
  }
}

obey({
  start({ broker, group, node, births }) {
    born = births;
    client = newClient({
      serverUrl: `mqtt://127.0.0.1:${broker}`,
      username: "",
      password: "",
      groupId: group,
      edgeNode: node,
      clientId: `${group}-${node}`,
      publishDeath: true,
    });
    client.on("birth", publishBirths);
    client.on("ncmd", ({ metrics }) => {
      record({ metrics });
      if (metrics.some(({ name, value }) => name === "Node Control/Rebirth" && value)) {
        publishBirths();
      }
    });
    return new Promise((done, failed) => {
      client.once("birth", () => done(null));
      client.once("error", failed);
    });
  },
  births: ({ births }) => {
    born = births;
    publishBirths();
  },
  data: ({ device, metrics }) =>
    device
      ? client.publishDeviceData(device, stamped(metrics))
      : client.publishNodeData(stamped(metrics)),
  death: ({ device }) => client.publishDeviceDeath(device, stamped([])),
  skip: () => {
    client.incrementSeqNum(); // as if a message had been lost
  },
  stop: () =>
    new Promise((done) => {
      client.client.once("close", () => done(null));
      client.stop();
    }),
  faults({ faults: wanted }) {
    faults.check(wanted);
  },
});
