// Node-RED for the benchmark: no editor, no log, and TCP_NODELAY on every connection as all others have it.
const net = require('net');

for (const name of ['connect', 'createConnection']) {
  const original = net[name];
  net[name] = (...args) => {
    const socket = original(...args);
    socket.setNoDelay(true);
    return socket;
  };
}

module.exports = {
  uiHost: '127.0.0.1',
  uiPort: Number(process.env.BENCH_UI_PORT),
  httpAdminRoot: false,
  httpNodeRoot: false,
  telemetry: { enabled: false },
  logging: { console: { level: 'error', metrics: false, audit: false } },
};
