// Copies a link to the clipboard; without a clipboard it selects the link instead.

for (const button of document.querySelectorAll("[data-copy]")) {
  const source = document.getElementById(button.dataset.copy);
  const label = button.textContent;
  button.hidden = false;
  button.addEventListener("click", async () => {
    try {
      await navigator.clipboard.writeText(source.textContent);
      button.textContent = "Copied";
    } catch {
      // A page that is not served over https has no clipboard.
      getSelection().selectAllChildren(source);
      button.textContent = "Selected: press Ctrl+C";
    }
    setTimeout(() => {
      button.textContent = label;
    }, 3000);
  });
}

document.querySelector("[role=status], [role=alert]")?.focus();
