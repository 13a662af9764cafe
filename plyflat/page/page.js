// The little that a browser must do itself. Listeners stand on the document, since what they listen to comes and goes.
(() => {
  if (window.plyflat) return;
  window.plyflat = true;

  // Send a mesh file; it goes as it is read, so that its size costs no memory.
  async function send(input) {
    const file = input.files[0];
    if (!file) return;
    const said = document.getElementById("sending");
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
  new MutationObserver(() => {
    for (const image of document.querySelectorAll(".picture img:not([alt])")) image.alt = "";
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
    if (event.target.id === "upload") send(event.target);
  });
  document.addEventListener("keydown", (event) => {
    if (event.target.className !== "picture" || event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key in turns) window.trame.trigger("turn_by", turns[event.key]);
    else if (event.key in nearer) window.trame.trigger("nearer", [nearer[event.key]]);
    else return;
    event.preventDefault();
  });
})();
