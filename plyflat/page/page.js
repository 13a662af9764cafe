// The little that a browser must do itself.
window.plyflat = {
  // Send a mesh file; it goes as it is read, so that its size costs no memory.
  async send(input) {
    const file = input.files[0];
    if (!file) return;
    const said = document.getElementById("sending");
    said.textContent = `sending ${file.name} …`;
    const answer = await fetch(`/upload?name=${encodeURIComponent(file.name)}`, { method: "POST", body: file });
    said.textContent = answer.ok ? `${await answer.text()} is there.` : await answer.text();
    input.value = "";
  },
  // Arrow keys turn the hull, + and - come nearer and go off, while the picture has the focus.
  key(event) {
    const turns = { ArrowLeft: [-10, 0], ArrowRight: [10, 0], ArrowUp: [0, 10], ArrowDown: [0, -10] };
    const nearer = { "+": 1.25, "=": 1.25, "-": 0.8 };
    if (event.key in turns) window.trame.trigger("turn_by", turns[event.key]);
    else if (event.key in nearer) window.trame.trigger("nearer", [nearer[event.key]]);
    else return;
    event.preventDefault();
  },
};
