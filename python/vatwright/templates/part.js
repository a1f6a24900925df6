"use strict";
// The slider, the curves and the findings show the same layer. Without this the page shows the
// first one, all curves and all findings.
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  if (!data.layers) return;
  const slider = document.getElementById("layer"), told = document.getElementById("told");
  const mask = document.getElementById("mask"), marks = document.getElementById("marks");
  const svg = marks.namespaceURI;

  // What the check says of the layer, where there was one.
  const forces = (k) => {
    if (!data.each) return "";
    const step = Math.floor(k / data.each);
    return `, pull ${data.pull_n[step]} N, reserve ${data.reserve[step]} %`;
  };
  const show = (i) => {
    const k = data.at[i];
    slider.value = i;
    mask.src = `data:image/png;base64,${data.masks[i]}`;
    const sealed = data.sealed_mm2[i] ? `, ${data.sealed_mm2[i]} mm² sealed off` : "";
    const words = `${k}, done at ${((k + 1) * data.layer_mm).toFixed(2)} mm: ` +
      `${data.solid_mm2[i]} mm² solid${sealed}`;
    told.textContent = words + forces(k);
    slider.setAttribute("aria-valuetext", `layer ${told.textContent}`);
    marks.replaceChildren(...(data.marks[k] || []).map(([kind, x, y, r]) => {
      const ring = document.createElementNS(svg, "circle");
      ring.setAttribute("class", kind);
      ring.setAttribute("cx", x);
      ring.setAttribute("cy", y);
      ring.setAttribute("r", kind === "sealed" || kind === "island" ? Math.max(r, 6) : 4);
      return ring;
    }));
    for (const line of document.querySelectorAll(".cursor")) {
      line.setAttribute("x1", k + 0.5);
      line.setAttribute("x2", k + 0.5);
    }
  };
  const nearest = (k) => data.at.reduce(
    (best, at, i) => (Math.abs(at - k) < Math.abs(data.at[best] - k) ? i : best), 0);

  slider.addEventListener("input", () => show(Number(slider.value)));
  document.querySelectorAll(".plot").forEach((plot) => {
    const follow = (event) => {
      const box = plot.getBoundingClientRect();
      show(nearest(Math.floor(data.layers * (event.clientX - box.left) / box.width)));
    };
    plot.addEventListener("pointerdown", follow);
    plot.addEventListener("pointermove", (event) => { if (event.buttons) follow(event); });
  });
  const asked = () => {
    const layer = /^#layer-(\d+)$/.exec(location.hash);
    if (!layer) return;
    show(nearest(Number(layer[1])));
    document.getElementById("layers").scrollIntoView();
  };
  // A finding leads to its layer also when it is the one that was asked for last.
  document.querySelectorAll('a[href^="#layer-"]').forEach((link) => {
    link.addEventListener("click", () => { if (link.hash === location.hash) asked(); });
  });
  addEventListener("hashchange", asked);
  document.documentElement.classList.add("live");
  document.querySelector(".step").hidden = false;
  show(0);
  asked();
})();
