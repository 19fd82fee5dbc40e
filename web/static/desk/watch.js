// Keeps the counts and the picture of the watch page up to date from the server's stream.

const live = document.getElementById("live");
const picture = document.getElementById("picture");
const source = new EventSource(live.dataset.stream);

function show(event) {
  const { numbers, picture: drawn } = JSON.parse(event.data);
  for (const [name, text] of Object.entries(numbers)) {
    const place = document.querySelector(`[data-count="${name}"]`);
    if (place && place.textContent !== text) place.textContent = text;
  }
  picture.innerHTML = drawn;
}

source.addEventListener("open", () => {
  live.textContent = "Live: this page follows by itself.";
});
source.addEventListener("progress", show);
source.addEventListener("closed", (event) => {
  show(event);
  source.close();
  live.textContent = "Voting has ended.";
});
source.addEventListener("error", () => {
  live.textContent =
    source.readyState === EventSource.CLOSED
      ? "The connection was closed; reload the page to go on."
      : "The connection was lost; trying again.";
});
addEventListener("pagehide", () => source.close());
