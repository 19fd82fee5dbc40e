// Marking a span on the overview pictures: by pointer or keyboard; the two fields hold the truth.
const form = document.querySelector("form[data-mark]");
const board = document.querySelector(".overviews");

const number = (field) => Number(field.value.replace(",", "."));

if (form && board) {
  const longest = Number(board.dataset.longest);
  const start = form.elements.start;
  const end = form.elements.end;
  const said = document.getElementById("marked");
  const player = new Audio();

  const clamp = (value) => Math.min(longest, Math.max(0, value));

  const draw = () => {
    const from = number(start);
    const to = number(end);
    const there = start.value !== "" && end.value !== "" && to > from;
    for (const rect of board.querySelectorAll(".chosen")) {
      rect.setAttribute("x", there ? (1000 * from) / longest : 0);
      rect.setAttribute("width", there ? (1000 * (to - from)) / longest : 0);
    }
    for (const button of board.querySelectorAll("[data-play]")) button.hidden = !there;
    said.textContent = there
      ? `Chosen: ${from.toFixed(2)} to ${to.toFixed(2)} s, ${(to - from).toFixed(2)} s long.`
      : "";
  };

  const set = (from, to) => {
    start.value = clamp(Math.min(from, to)).toFixed(3);
    end.value = clamp(Math.max(from, to)).toFixed(3);
    draw();
  };

  const play = (take) => {
    player.src = `${board.dataset.href}/takes/${take}/span.wav?start=${number(start)}&end=${number(end)}`;
    player.play().catch(() => {
      said.textContent = "This stretch cannot be played.";
    });
  };

  // The form marks a new excerpt, or moves the one whose key it holds.
  const hold = (key, label) => {
    form.elements.key.value = key;
    if (key) form.elements.label.value = label;
    form.querySelector("[data-mark-button]").textContent = key
      ? "Move the excerpt"
      : "Mark the excerpt";
  };

  const chosen = () =>
    start.value !== "" && end.value !== "" && number(end) > number(start)
      ? [number(start), number(end)]
      : null;

  // What a press at `time` takes hold of: an edge, the whole span, another marked one, or nothing.
  const grip = (time, near) => {
    const span = chosen();
    if (span) {
      if (Math.abs(time - span[0]) <= near) return { fixed: span[1] };
      if (Math.abs(time - span[1]) <= near) return { fixed: span[0] };
      if (time > span[0] && time < span[1]) return { from: time, span };
    }
    for (const rect of board.querySelectorAll(".overview .marked")) {
      const own = [Number(rect.dataset.start), Number(rect.dataset.end)];
      if (time >= own[0] && time <= own[1]) return { from: time, span: own, rect };
    }
    return { fixed: time, fresh: true };
  };

  const move = (span, by) => {
    const shift = Math.min(longest - span[1], Math.max(-span[0], by));
    set(span[0] + shift, span[1] + shift);
  };

  for (const picture of board.querySelectorAll(".picture[data-take]")) {
    let held = null;
    const at = (event) => {
      const box = picture.getBoundingClientRect();
      return (longest * (event.clientX - box.left)) / box.width;
    };
    picture.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      held = {
        ...grip(at(event), (8 * longest) / picture.getBoundingClientRect().width),
        begun: at(event),
      };
      picture.setPointerCapture(event.pointerId);
    });
    picture.addEventListener("pointermove", (event) => {
      if (held === null || Math.abs(at(event) - held.begun) <= longest / 500) return;
      if (held.rect) hold(held.rect.dataset.key, held.rect.dataset.label);
      if (held.fresh) hold("", "");
      held.begun = Infinity;
      if (held.span) move(held.span, at(event) - held.from);
      else set(held.fixed, at(event));
    });
    const stop = () => {
      held = null;
    };
    picture.addEventListener("pointerup", stop);
    picture.addEventListener("pointercancel", stop);
    picture.addEventListener("keydown", (event) => {
      const step = event.ctrlKey || event.metaKey ? 0.01 : 0.1;
      const way = { ArrowLeft: -step, ArrowRight: step }[event.key];
      if (event.key === "Enter" && end.value) return play(picture.dataset.take);
      if (way === undefined) return;
      event.preventDefault();
      const from = start.value === "" ? 0 : number(start);
      const to = end.value === "" ? Math.min(longest, from + 5) : number(end);
      if (event.altKey) move([from, to], way);
      else if (event.shiftKey) set(from, Math.max(from + 0.1, to + way));
      else set(Math.min(to - 0.1, from + way), to);
    });
  }
  for (const button of board.querySelectorAll("[data-play]")) {
    button.addEventListener("click", () => play(button.dataset.play));
  }
  start.addEventListener("input", draw);
  end.addEventListener("input", draw);
  draw();
}
