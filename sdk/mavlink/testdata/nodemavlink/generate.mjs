// Prints frames made by node-mavlink, with what they hold, as JSON. Its one argument is the node_modules folder.
import { createRequire } from 'node:module'
import { createHash } from 'node:crypto'
import path from 'node:path'

const require = createRequire(path.join(path.resolve(process.argv[2]), 'x.js'))
const { MavLinkProtocolV1, MavLinkProtocolV2 } = require('node-mavlink')
const mappings = require('mavlink-mappings')

const known = new Map()
// The message set "common" first; a few messages are in others only.
for (const dialect of [mappings.minimal, mappings.common, ...Object.values(mappings)]) {
  for (const [id, clazz] of Object.entries(dialect.REGISTRY ?? {})) {
    if (!known.has(Number(id))) known.set(Number(id), clazz)
  }
}

const wanted = [0, 2, 26, 27, 30, 31, 32, 33, 66, 74, 76, 77, 105, 109, 116, 129, 226, 241, 244, 245]

// A value that differs from field to field, exact in every type.
function value(field, i, round) {
  const n = (i * 37 + round * 11) % 100 + 1
  switch (field.type.replace('[]', '')) {
    case 'float': return (n - 50) / 8
    case 'uint64_t': return BigInt(n) * 1000003n + 1700000000000000n * BigInt(round)
    case 'uint32_t': return n * 100003
    case 'int32_t': return (n - 50) * 9700001
    case 'int16_t': return (n - 50) * 601
    case 'uint16_t': return n * 601
    case 'uint8_t': return n
    case 'uint8_t_mavlink_version': return n
    default: throw new Error(`no value for ${field.type}`)
  }
}

function make(clazz, round, used) {
  const m = new clazz()
  const held = {}
  clazz.FIELDS.forEach((field, i) => {
    const array = field.length > 0
    const count = array ? field.length : 1
    const values = []
    for (let k = 0; k < count; k++) {
      const zero = field.type.includes('uint64') ? 0n : 0
      values.push(used(i) ? value(field, i * 5 + k, round) : zero)
    }
    m[field.name] = array ? values : values[0]
    values.forEach((v, k) => { held[array ? `${field.source}[${k}]` : field.source] = String(v) })
  })
  return { m, held }
}

const out = []
function add(note, clazz, seq, version, signed, { m, held }) {
  let protocol = version === 1 ? new MavLinkProtocolV1(42, 1) : new MavLinkProtocolV2(42, 1, signed ? 1 : 0, 0)
  let frame = protocol.serialize(m, seq)
  if (signed) {
    const key = createHash('sha256').update('a key for tests').digest()
    frame = protocol.sign(frame, 1, key, Date.UTC(2024, 0, 1))
  }
  out.push({
    note, name: clazz.MSG_NAME, id: clazz.MSG_ID, extra: clazz.MAGIC_NUMBER, version, signed, sequence: seq,
    extended: clazz.FIELDS.some((f) => f.extension), hex: Buffer.from(frame).toString('hex'), fields: held,
  })
}

let seq = 250 // wraps on the way
for (const id of wanted) {
  const clazz = known.get(id)
  if (!clazz) throw new Error(`message ${id} is in no dialect`)
  const all = () => true
  for (const round of [0, 1]) {
    add('full', clazz, seq++ & 255, 1, false, make(clazz, round, all))
    add('full', clazz, seq++ & 255, 2, false, make(clazz, round, all))
  }
  add('only the first field', clazz, seq++ & 255, 2, false, make(clazz, 1, (i) => i === 0))
  add('all zero', clazz, seq++ & 255, 2, false, make(clazz, 0, () => false))
  add('signed', clazz, seq++ & 255, 2, true, make(clazz, 1, all))
}
process.stdout.write(JSON.stringify(out))
