// What can come between a listener and the sound, told to the player, which then asks to listen
// again: the page goes out of sight, the sound goes to another device. (What the sound engine
// itself notices, interruptions and lost frames, the player sees by itself.)

export function watch(player) {
  const away = (kind) => {
    if (player.playing) player.disturb(kind);
  };
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) away("hidden");
  });
  document.addEventListener("freeze", () => away("hidden"));
  navigator.mediaDevices?.addEventListener?.("devicechange", () => {
    player.disturb("device_changed");
  });
}

// Media keys and the buttons of a locked screen: stop, and play on. No title goes with them, and
// nothing that could tell one sample from another.
export function mediaKeys(player, failed) {
  const session = navigator.mediaSession;
  if (!session) return;
  const on = (action, handler) => {
    try {
      session.setActionHandler(action, handler);
    } catch {
      // This browser does not know the action.
    }
  };
  session.metadata = null;
  on("play", () => {
    if (!player.playing) player.play(player.lastSlot).catch(failed);
  });
  on("pause", () => player.stop());
  on("stop", () => player.stop());
  player.addEventListener("change", () => {
    session.playbackState = player.playing ? "playing" : "paused";
  });
}
