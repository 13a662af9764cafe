// The little that a browser must do itself. Listeners stand on the document, since what they listen to comes and goes.
(() => {
  if (window.plyflat) return;
  window.plyflat = true;

  // Send a mesh file; it goes as it is read, so that its size costs no memory.
  async function send(file) {
    const input = document.getElementById("upload"), said = document.getElementById("sending");
    if (!file || !input) return;
    // What is refused anyway is not sent first: a browser would only tell that the line broke off.
    const most = Number(input.dataset.most);
    const refused = !file.size ? "the file is empty. Save the scan again, and send it then." : file.size > most ? `more than ${most / 1e6} MB. Thin the mesh first.` : "";
    if (refused) {
      said.textContent = `${file.name}: ${refused}`;
      input.value = "";
      return;
    }
    said.textContent = `Sending ${file.name} …`;
    try {
      const answer = await fetch(`/upload?name=${encodeURIComponent(file.name)}`, { method: "POST", body: file });
      said.textContent = answer.ok ? `${await answer.text()} is there.` : await answer.text();
    } catch (fault) {
      said.textContent = `${file.name} did not arrive: ${fault.message}`;
    }
    input.value = "";
  }

  // Arrow keys turn the hull, + and - come nearer and go off, while the picture has the focus.
  const turns = { ArrowLeft: [-10, 0], ArrowRight: [10, 0], ArrowUp: [0, 10], ArrowDown: [0, -10] };
  const nearer = { "+": 1.25, "=": 1.25, "-": 0.8 };

  // The framework's page forbids coming nearer with two fingers, and its picture has no text beside it; the frame round
  // the picture says what it is.
  const scale = document.querySelector("meta[name=viewport]");
  if (scale) scale.content = "width=device-width, initial-scale=1";
  let marks = Boolean(document.querySelector(".marking"));
  new MutationObserver(() => {
    for (const image of document.querySelectorAll(".picture img:not([alt])")) image.alt = "";
    // What was pressed to begin or end marking is gone with it: whoever uses the keys goes on from there.
    const marking = document.querySelector(".marking");
    if (Boolean(marking) === marks) return;
    marks = Boolean(marking);
    if (marking) marking.tabIndex = -1;
    if (document.activeElement === document.body) (marking ?? document.getElementById("region"))?.focus({ preventScroll: true });
  }).observe(document.body, { childList: true, subtree: true });

  // Where the program cannot be reached the framework shows lost.html; the page comes back as soon as it answers.
  setInterval(async () => {
    if (!document.getElementById("lost")) return;
    try {
      const answer = await fetch(location.href, { cache: "no-store" });
      if (answer.ok) location.reload();
      document.getElementById("ended").hidden = answer.status === 403;
      document.getElementById("again").hidden = answer.status !== 403;
    } catch {
      // Not yet.
    }
  }, 2000);

  document.addEventListener("change", (event) => {
    if (event.target.id === "upload") send(event.target.files[0]);
  });
  // A file that is dropped anywhere is sent too, where one can be; a browser would leave the page for it.
  document.addEventListener("dragover", (event) => event.preventDefault());
  document.addEventListener("drop", (event) => {
    event.preventDefault();
    send(event.dataTransfer?.files[0]);
  });

  // Two fingers on the picture come nearer, go off and move it. The framework's picture sees the first finger alone.
  const fingers = new Map();
  let first = null, two = null;
  const between = () => {
    const [a, b] = [...fingers.values()];
    return { far: Math.max(Math.hypot(a.x - b.x, a.y - b.y), 1), x: (a.x + b.x) / 2, y: (a.y + b.y) / 2 };
  };
  // Tell what they did since the last time.
  const tell = (mine, moving) => {
    const now = between(), was = mine.last;
    mine.last = now;
    return window.trame.trigger("two_fingers", [now.far / was.far, (now.x - was.x) / mine.box.width, (was.y - now.y) / mine.box.height, moving]);
  };
  const follow = async (mine) => {
    mine.waits = true;
    if (mine.busy) return;
    mine.busy = true;
    while (mine.waits && mine === two) {
      mine.waits = false;
      await tell(mine, true);
    }
    mine.busy = false;
  };
  const touched = (event) => {
    const id = event.pointerId, down = event.type === "pointerdown", up = event.type === "pointerup" || event.type === "pointercancel";
    if (event.pointerType !== "touch" || !(down ? event.target.closest?.(".picture") : fingers.has(id))) return;
    if (up && two && fingers.size === 2) {
      tell(two, false);
      two = null;
    }
    if (up) fingers.delete(id);
    else fingers.set(id, { x: event.clientX, y: event.clientY });
    if (down && fingers.size === 1) first = id;
    if (down && fingers.size === 2) {
      two = { box: event.target.closest(".picture").getBoundingClientRect(), last: between() };
      tell(two, true);
    }
    if (two && event.type === "pointermove") follow(two);
    if (id !== first || (two && event.type === "pointermove")) event.stopPropagation();
  };
  for (const kind of ["pointerdown", "pointermove", "pointerup", "pointercancel"]) document.addEventListener(kind, touched, true);

  // The page's own keys work too where nothing has the focus, since what had it is gone.
  const keys = { z: "undo", y: "redo", s: "save" };
  document.addEventListener("keydown", (event) => {
    const key = event.key.toLowerCase();
    if (event.target !== document.body || !(event.ctrlKey || event.metaKey) || event.altKey || !(key in keys)) return;
    event.preventDefault();
    window.trame.trigger(key === "z" && event.shiftKey ? "redo" : keys[key]);
  });

  document.addEventListener("keydown", (event) => {
    if (event.target.className !== "picture" || event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key in turns) window.trame.trigger("turn_by", turns[event.key]);
    else if (event.key in nearer) window.trame.trigger("nearer", [nearer[event.key]]);
    else return;
    event.preventDefault();
  });
})();
