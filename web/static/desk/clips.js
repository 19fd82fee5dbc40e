// Plays clips at the desk, and follows the work while clips are being prepared.
const player = new Audio();
let playing = null;

for (const button of document.querySelectorAll("[data-clip]")) {
  button.addEventListener("click", () => {
    if (playing === button && !player.paused) return stop();
    stop();
    playing = button;
    button.textContent = "Stop";
    player.src = button.dataset.clip;
    player.play().catch(stop);
  });
}
player.addEventListener("ended", stop);

function stop() {
  player.pause();
  if (playing) playing.textContent = "Play";
  playing = null;
}

const board = document.querySelector("[data-progress]");
if (board) follow();

async function follow() {
  const bar = board.querySelector("progress");
  for (;;) {
    await new Promise((resolve) => setTimeout(resolve, 700));
    try {
      const state = await (
        await fetch(board.dataset.progress, { headers: { Accept: "application/json" } })
      ).json();
      bar.max = state.total;
      bar.value = state.done;
      if (!state.running) return window.location.reload();
    } catch {
      // The network is away for a moment: ask again.
    }
  }
}
