"use strict";
// Little-endian 16-bit samples from base64.

function decodeSamples(text) {
  const raw = atob(text);
  const bytes = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i++) bytes[i] = raw.charCodeAt(i);
  const view = new DataView(bytes.buffer);
  const samples = new Int16Array(raw.length >> 1);
  for (let i = 0; i < samples.length; i++) samples[i] = view.getInt16(2 * i, true);
  return samples;
}
