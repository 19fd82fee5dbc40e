// Tells the server at which rate this device plays sound; it is recorded with what is declared.

try {
  const context = new AudioContext();
  document.querySelector("#playback [name=sample_rate]").value = String(context.sampleRate);
  context.close();
} catch {
  // No sound engine, no rate: the field stays empty and the server records none.
}
