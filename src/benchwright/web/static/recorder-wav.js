// @ts-check
/** Samples as the bytes of a WAV file. No page, no sound. */

export const HEADER_BYTES = 44;

/**
 * @typedef {object} Format
 * @property {number} rate samples per second
 * @property {number} channels
 * @property {16|24} bits
 */

/** @param {Format} format */
export const bytesPerSecond = ({ rate, channels, bits }) => (rate * channels * bits) / 8;

/**
 * The first bytes of a file.
 * @param {Format} format
 * @param {number} bytes of all samples
 */
export function header({ rate, channels, bits }, bytes) {
  if (bytes + HEADER_BYTES > 0xffffffff) throw new RangeError("a WAV file holds no more than 4 GB");
  const view = new DataView(new ArrayBuffer(HEADER_BYTES));
  const word = (/** @type {number} */ at, /** @type {string} */ text) => [...text].forEach((sign, n) => view.setUint8(at + n, sign.charCodeAt(0)));
  word(0, "RIFF");
  view.setUint32(4, HEADER_BYTES - 8 + bytes + (bytes & 1), true);
  word(8, "WAVEfmt ");
  view.setUint32(16, 16, true);
  view.setUint16(20, 1, true); // whole numbers, not packed
  view.setUint16(22, channels, true);
  view.setUint32(24, rate, true);
  view.setUint32(28, bytesPerSecond({ rate, channels, bits }), true);
  view.setUint16(32, (channels * bits) / 8, true);
  view.setUint16(34, bits, true);
  word(36, "data");
  view.setUint32(40, bytes, true);
  return new Uint8Array(view.buffer);
}

/**
 * Channels side by side as whole numbers; what is beyond full scale stays on it.
 * @param {readonly ArrayLike<number>[]} channels each of the same length, full scale is 1
 * @param {16|24} bits
 */
export function samplesOf(channels, bits) {
  const width = bits / 8;
  const frames = channels[0].length;
  const bytes = new Uint8Array(frames * channels.length * width);
  const scale = 2 ** (bits - 1);
  let at = 0;
  for (let n = 0; n < frames; n++) {
    for (const channel of channels) {
      const value = Math.max(-scale, Math.min(scale - 1, Math.round(channel[n] * scale)));
      for (let byte = 0; byte < width; byte++) bytes[at++] = (value >> (8 * byte)) & 0xff;
    }
  }
  return bytes;
}

/**
 * What a take is called: take-20261127-0130.wav.
 * @param {Date} when
 */
export function nameFor(when) {
  const two = (/** @type {number} */ part) => String(part).padStart(2, "0");
  return `take-${when.getFullYear()}${two(when.getMonth() + 1)}${two(when.getDate())}-${two(when.getHours())}${two(when.getMinutes())}.wav`;
}

/** @param {number} seconds */
export function clock(seconds) {
  const whole = Math.floor(seconds);
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

/** @param {number} bytes */
export const megabytes = (bytes) => `${(bytes / 1e6).toFixed(bytes < 1e7 ? 1 : 0)} MB`;
