'use strict';

// Usage: node client.js HOST PORT '[["Role/Path", value], …]'
//
// Browses a station with npm aes70 1.1.16, reads every object, subscribes to and sets the given ones, tries one value
// that is out of range, and prints what it saw as one JSON document. An empty path is the device manager's name; the
// value of a switch is the name of a position.

const utf8 = require('aes70/lib/utf8.js');

// The package's encoder of strings calls this function, which its Node build does not have.
if (utf8.count_codepoints === undefined) {
  utf8.count_codepoints = (text) => Array.from(text).length;
}

const { controller, SP, Types } = require('aes70');

const PATIENCE_MS = 20000;
const KEEPALIVE_S = 2;

// AES70-2023 class, which a package of AES70-2018 does not know.
const OcaNetworkInterface = controller.define_custom_class(
  'OcaNetworkInterface',
  2,
  '1.6',
  1,
  'OcaRoot',
  [['GetTargetNetworkSettings', 2, 15, [], [SP.BLOB]]],
  [],
  [],
);

// The string, a byte, two strings: the fields of OcaIP4NetworkSettings up to the gateway.
const IP4_SETTINGS = new SP.signature(SP.STRING, SP.UINT8, SP.STRING, SP.STRING);

const MAIN_PROPERTY = {
  OcaSwitch: 'Position',
  OcaGain: 'Gain',
  OcaMute: 'State',
  OcaBooleanActuator: 'Setting',
  OcaUint8Actuator: 'Setting',
  OcaStringActuator: 'Setting',
  OcaStringSensor: 'String',
  OcaIdentificationActuator: 'Active',
  OcaUint32Sensor: 'Reading',
  OcaFloat32Sensor: 'Reading',
  OcaNetworkInterface: 'TargetNetworkSettings',
  OcaDeviceManager: 'DeviceName',
};

function plain(value) {
  if (value instanceof SP.Arguments) return value.values.map(plain);
  if (value instanceof Types.OcaMuteState) return value.value;
  return value;
}

function ip4Settings(blob) {
  const bytes = Uint8Array.from(blob instanceof ArrayBuffer ? new Uint8Array(blob) : blob);
  const [address, autoconfig, , gateway] = plain(IP4_SETTINGS.decode(new DataView(bytes.buffer)));
  return { address, autoconfig, gateway };
}

async function read(object) {
  const kind = object.ClassName;
  const seen = { class: kind };
  if (kind === 'OcaBlock') return seen;
  const value = await object['Get' + MAIN_PROPERTY[kind]]();
  if (kind === 'OcaNetworkInterface') return { ...seen, value: ip4Settings(value) };
  const whole = plain(value);
  if (!Array.isArray(whole)) return { ...seen, value: whole };
  [seen.value, seen.min, seen.max] = whole;
  if (kind === 'OcaSwitch') {
    seen.names = await object.GetPositionNames();
    seen.name = await object.GetPositionName(seen.value);
  }
  return seen;
}

async function toWire(object, value) {
  if (object.ClassName === 'OcaMute') return new Types.OcaMuteState(value);
  if (object.ClassName !== 'OcaSwitch') return value;
  const names = await object.GetPositionNames();
  const [, min] = plain(await object.GetPosition());
  if (!names.includes(value)) throw new Error(`no position is called ${value}`);
  return min + names.indexOf(value);
}

async function setAndHear(object, value) {
  const property = MAIN_PROPERTY[object.ClassName];
  const wanted = await toWire(object, value);
  let hear;
  const heard = new Promise((resolve) => {
    hear = resolve;
  });
  await object['On' + property + 'Changed'].subscribe((news, changeType) => {
    hear({ value: plain(news), change: changeType.value });
  });
  await object['Set' + property](wanted);
  return { set: plain(wanted), heard: await heard, after: (await read(object)).value };
}

async function statusBeyondRange(objects) {
  const gain = Array.from(objects.values()).find((object) => object.ClassName === 'OcaGain');
  const [, , max] = plain(await gain.GetGain());
  try {
    await gain.SetGain(max + 1);
  } catch (error) {
    if (error.status === undefined) throw error;
    return error.status.value;
  }
  return 0;
}

async function main(host, port, wishes) {
  const connection = await controller.TCP.connect({ host, port });
  const device = new controller.Device(connection, [OcaNetworkInterface]);
  device.set_keepalive_interval(KEEPALIVE_S);
  const manager = device.DeviceManager;
  const description = await manager.GetModelDescription();
  const objects = await device.get_role_map('/');
  const seen = {
    manager: {
      name: await manager.GetDeviceName(),
      serial: await manager.GetSerialNumber(),
      model: description.Name,
      version: description.Version,
    },
    objects: {},
    sets: {},
  };
  for (const [path, object] of objects) seen.objects[path] = await read(object);
  for (const [path, value] of wishes) {
    seen.sets[path] = await setAndHear(path ? objects.get(path) : manager, value);
  }
  seen.beyondRange = await statusBeyondRange(objects);
  device.close();
  return seen;
}

const [host, port, wishes] = process.argv.slice(2);
const patience = setTimeout(() => {
  console.error(`no end after ${PATIENCE_MS} ms`);
  process.exit(1);
}, PATIENCE_MS);

main(host, Number(port), JSON.parse(wishes)).then(
  (seen) => {
    clearTimeout(patience);
    process.stdout.write(JSON.stringify(seen) + '\n');
  },
  (error) => {
    console.error(error instanceof Error ? error.stack : String(error));
    process.exit(1);
  },
);
