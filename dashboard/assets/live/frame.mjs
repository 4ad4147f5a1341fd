// @ts-check
/* The bytes of the live route, as dashboard/live/wire_format.py packs them: the bins that closed and the
   newest value of each channel. Little-endian, a head of 32 bytes, then 32-bit floats. */

const HEAD_BYTES = 32;

/**
 * @typedef {object} BinFrame
 * @property {boolean} isWhole whether it replaces all bins that are known
 * @property {number} channels
 * @property {number} count of bins
 * @property {number} serial acknowledged once it was drawn
 * @property {number} now of the recording, in seconds since its start; as all times here
 * @property {number} start of the first bin
 * @property {number} width of a bin
 * @property {ArrayLike<number>} newest age and value of each channel
 * @property {ArrayLike<number>} bins first extreme, second extreme and mean; bin by bin, channel by channel
 */

/** @param {ArrayBuffer} buffer @returns {BinFrame} */
export function unpackFrame(buffer) {
  const view = new DataView(buffer);
  const channels = view.getUint8(1);
  const floats = new Float32Array(buffer, HEAD_BYTES);
  return {
    isWhole: view.getUint8(0) === 1,
    channels,
    count: view.getUint16(2, true),
    serial: view.getUint32(4, true),
    now: view.getFloat64(8, true),
    start: view.getFloat64(16, true),
    width: view.getFloat64(24, true),
    newest: floats.subarray(0, channels * 2),
    bins: floats.subarray(channels * 2),
  };
}
