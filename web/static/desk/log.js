// What is typed into the chain log and not kept yet must not be lost by another button of the page:
// the browser asks before it leaves.

let changed = false;

const grid = document.getElementById("grid");
document.addEventListener("input", ({ target }) => {
  if (target.form === grid) changed = true;
});
grid?.addEventListener("submit", () => {
  changed = false;
});
addEventListener("beforeunload", (event) => {
  if (grid && changed) event.preventDefault();
});
