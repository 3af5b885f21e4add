// Gives what is packed in the page: the signs spelled back into bytes, and these inflated.

function canUnpack() {
  return typeof DecompressionStream === "function" && typeof Response === "function";
}

// Signs of the packed text that are worked on at a time.
const PIECE_SIGNS = 32768;
// The signs by their value: `signs.py` says which ones there are.
const SIGN_VALUES = new Uint8Array(128);
for (let code = 0x21, value = 0; code < 0x7f; code += 1) {
  if ("<>&".includes(String.fromCharCode(code))) continue;
  SIGN_VALUES[code] = value;
  value += 1;
}
const SIGN_COUNT = 91;

/**
 * What is packed in an element: its content, how columns lie in the bytes, and where these begin.
 * Spelled back, inflated and put together one piece after the other: none keeps the reader waiting.
 * @param {string} elementId
 */
async function inflate(elementId) {
  const signs = byId(elementId).textContent.trim();
  const bytes = await joined(bytesInPieces(signs).pipeThrough(new DecompressionStream("gzip")));
  await breathe();
  const head = bytes.indexOf(10);
  const columns = bytes.indexOf(10, head + 1);
  const read = (from, to) => JSON.parse(new TextDecoder().decode(bytes.subarray(from, to)));
  return { content: read(0, head), columns: read(head + 1, columns), bytes, start: columns + 1 };
}

async function joined(stream) {
  const reader = stream.getReader();
  const pieces = [];
  let length = 0;
  for (let piece = await reader.read(); !piece.done; piece = await reader.read()) {
    pieces.push(piece.value);
    length += piece.value.length;
  }
  const whole = new Uint8Array(length);
  let at = 0;
  for (const piece of pieces) {
    whole.set(piece, at);
    at += piece.length;
  }
  return whole;
}

function bytesInPieces(signs) {
  const speller = new Speller();
  let at = 0;
  return new ReadableStream({
    async pull(feed) {
      await breathe();
      if (at >= signs.length) {
        feed.close();
        return;
      }
      feed.enqueue(speller.read(signs, at, Math.min(at + PIECE_SIGNS, signs.length)));
      at += PIECE_SIGNS;
    },
  });
}

// Two signs spell 13 bits; the last one by itself spells 6. Bits that fill no byte wait for the next.
class Speller {
  bits = 0;

  count = 0;

  read(signs, from, to) {
    const bytes = new Uint8Array(Math.ceil(((to - from) * 13) / 16) + 2);
    let made = 0;
    for (let i = from; i < to; i += 2) {
      const first = SIGN_VALUES[signs.charCodeAt(i)];
      const size = i + 1 < to ? 13 : 6;
      const value = i + 1 < to ? first * SIGN_COUNT + SIGN_VALUES[signs.charCodeAt(i + 1)] : first;
      this.bits = ((this.bits & 255) << size) | value;
      this.count += size;
      while (this.count >= 8) {
        this.count -= 8;
        bytes[made] = this.bits >> this.count;
        made += 1;
      }
    }
    return bytes.subarray(0, made);
  }
}

const WORK_MS = 12;
let restedAt = 0;

// Lets the browser answer its reader once work has gone on for a while.
async function breathe() {
  if (performance.now() - restedAt < WORK_MS) return;
  await new Promise((resolve) => { setTimeout(resolve); });
  restedAt = performance.now();
}
