// Two photographs over each other: a slider between them, and a blink. Without this module they stand side by
// side.

const calm = matchMedia("(prefers-reduced-motion: reduce)");

for (const figure of document.querySelectorAll("figure[data-over]")) {
  const panes = figure.querySelectorAll(".pane");
  const later = panes[1]?.querySelector("svg");
  if (!panes[0]?.querySelector("svg") || !later) continue;
  over(figure, later);
}

function over(figure, later) {
  const tools = document.createElement("div");
  tools.className = "over-tools";
  tools.setAttribute("role", "group");
  tools.setAttribute("aria-label", "Earlier and later picture");

  const ways = button("Side by side");
  const blink = button("Blink");
  blink.setAttribute("aria-pressed", "false");
  const label = document.createElement("label");
  label.textContent = "Earlier | later ";
  const slider = document.createElement("input");
  slider.type = "range";
  slider.min = 0;
  slider.max = 100;
  slider.value = 50;
  label.append(slider);
  tools.append(ways, label, blink);
  figure.prepend(tools);

  let beat = 0;
  const cut = () => { later.style.clipPath = `inset(0 0 0 ${slider.value}%)`; };
  const stop = () => {
    clearInterval(beat);
    beat = 0;
    blink.setAttribute("aria-pressed", "false");
    later.style.visibility = "";
  };
  const set = (on) => {
    stop();
    ways.textContent = on ? "Side by side" : "Over each other";
    figure.classList.toggle("laid", on);
    label.hidden = blink.hidden = !on;
    later.style.clipPath = "";
    if (on) cut();
  };
  ways.addEventListener("click", () => set(!figure.classList.contains("laid")));
  slider.addEventListener("input", () => { stop(); cut(); });
  blink.addEventListener("click", () => {
    if (beat) { stop(); cut(); return; }
    later.style.clipPath = "";
    const swap = () => { later.style.visibility = later.style.visibility ? "" : "hidden"; };
    // Whoever asks for less motion swaps by hand.
    if (calm.matches) { swap(); return; }
    blink.setAttribute("aria-pressed", "true");
    beat = setInterval(swap, 700);
  });
  set(true);
}

function button(words) {
  const b = document.createElement("button");
  b.type = "button";
  b.className = "small";
  b.textContent = words;
  return b;
}
