// Decodes Sparkplug B payloads with the npm package sparkplug-payload: one in
// hexadecimal digits a line on standard input, one as JSON a line on standard
// output. Whole numbers of 64 bits become strings.
const payload = require('sparkplug-payload').get('spBv1.0');
const lines = require('fs').readFileSync(0, 'utf8').split('\n').filter((line) => line !== '');
for (const line of lines) {
  const decoded = payload.decodePayload(Buffer.from(line, 'hex'));
  console.log(JSON.stringify(decoded, (key, value) => (value && value.constructor && value.constructor.name === 'Long' ? value.toString() : value)));
}
