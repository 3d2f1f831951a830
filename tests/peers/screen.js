"use strict";
// A supervisory screen by node-opcua's client: what it reads, browses, hears and may not write is told
// in lines of JSON. Usage: node screen.js URL MACHINE

const {
  AttributeIds, ClientMonitoredItem, ClientSubscription, DataType, MessageSecurityMode, OPCUAClient, SecurityPolicy,
  TimestampsToReturn,
} = require("node-opcua");

const [url, machine] = process.argv.slice(2);
const tell = (what) => process.stdout.write(`${JSON.stringify(what)}\n`);

async function show() {
  const client = OPCUAClient.create({
    endpointMustExist: false,
    securityMode: MessageSecurityMode.None,
    securityPolicy: SecurityPolicy.None,
  });
  await client.connect(url);
  const session = await client.createSession();
  const below = async (node) => {
    const { references } = await session.browse(node);
    return Object.fromEntries(references.map((each) => [each.browseName.name, each.nodeId.toString()]));
  };
  const machines = await below((await below("ObjectsFolder")).Borewarden);
  const variables = await below(machines[machine]);
  const { value, statusCode } = await session.read({ nodeId: variables.DeviceHealth });
  tell({ machines: Object.keys(machines), variables: Object.keys(variables), health: value.value, status: statusCode.name });

  const written = await session.write({
    nodeId: variables.DeviceHealth,
    attributeId: AttributeIds.Value,
    value: { value: { dataType: DataType.Int32, value: 0 } },
  }).then((code) => code.name, (error) => error.message);
  tell({ written });

  const subscription = ClientSubscription.create(session, {
    requestedPublishingInterval: 50, requestedLifetimeCount: 1000, requestedMaxKeepAliveCount: 20, publishingEnabled: true,
  });
  const item = ClientMonitoredItem.create(
    subscription,
    { nodeId: variables.DeviceHealth, attributeId: AttributeIds.Value },
    { samplingInterval: 20, discardOldest: true, queueSize: 10 },
    TimestampsToReturn.Both
  );
  item.on("changed", (found) => tell({ heard: found.value.value, status: found.statusCode.name }));
}

show().catch((error) => {
  process.stderr.write(`${error.stack}\n`);
  process.exit(1);
});
