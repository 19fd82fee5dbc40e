// Sends chosen takes one by one, so that each has a progress bar and a refusal of its own.
const form = document.querySelector("form[data-upload]");
const list = document.querySelector(".uploads");

if (form && list) {
  form.addEventListener("submit", (event) => {
    const files = [...form.elements.files.files];
    if (!files.length) return;
    event.preventDefault();
    sendAll(files);
  });
}

async function sendAll(files) {
  const button = form.querySelector("button");
  button.disabled = true;
  list.replaceChildren();
  const rows = files.map(addRow);
  let taken = 0;
  let noted = 0;
  for (const [index, file] of files.entries()) {
    const result = await send(file, rows[index]);
    show(rows[index], result);
    taken += result.taken ? 1 : 0;
    noted += result.taken && !result.note ? 0 : 1;
  }
  button.disabled = false;
  form.reset();
  if (taken && !noted) {
    window.location.assign(form.action);
  } else if (taken) {
    document.querySelector(".after-uploads").hidden = false;
  }
}

function addRow(file) {
  const row = document.createElement("li");
  const name = document.createElement("b");
  name.textContent = file.name;
  const bar = document.createElement("progress");
  bar.max = 1;
  bar.value = 0;
  bar.setAttribute("aria-label", `Sending ${file.name}`);
  const words = document.createElement("span");
  words.className = "words";
  words.textContent = "waiting";
  row.append(name, " ", bar, " ", words);
  list.append(row);
  return row;
}

function send(file, row) {
  const bar = row.querySelector("progress");
  const words = row.querySelector(".words");
  return new Promise((resolve) => {
    const request = new XMLHttpRequest();
    request.open("POST", form.action);
    request.setRequestHeader("Accept", "application/json");
    request.setRequestHeader("X-CSRF", form.elements.csrf.value);
    request.upload.addEventListener("progress", (event) => {
      if (!event.lengthComputable) return;
      bar.value = event.loaded / event.total;
      words.textContent =
        event.loaded < event.total ? `${Math.round(100 * bar.value)} %` : "being checked";
    });
    request.addEventListener("load", () => resolve(read(request)));
    request.addEventListener("error", () =>
      resolve({
        taken: false,
        message: "The connection was lost.",
        hint: "Send it again; nothing was half-stored.",
        note: "",
      }),
    );
    const body = new FormData();
    body.append("files", file);
    request.send(body);
  });
}

function read(request) {
  try {
    const answer = JSON.parse(request.responseText);
    if (answer.files) return answer.files[0];
    return { taken: false, note: "", message: answer.error.message, hint: answer.error.hint };
  } catch {
    return {
      taken: false,
      note: "",
      message: "The server gave no readable answer.",
      hint: "Try again.",
    };
  }
}

function show(row, result) {
  row.className = result.taken ? "taken" : "refused";
  row.querySelector("progress").remove();
  row.querySelector(".words").textContent = [
    result.taken ? "✓" : "✗",
    result.message,
    result.hint,
    result.note,
  ]
    .filter(Boolean)
    .join(" ");
}
