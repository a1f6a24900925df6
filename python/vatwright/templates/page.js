"use strict";
// Clock times from a chosen start, ticks that stay, and sheets that open for print. The page says
// all it has to say without this, in hours after the start.
(() => {
  const key = "vatwright " + document.documentElement.dataset.run;
  let kept = {};
  try { kept = JSON.parse(localStorage.getItem(key)) || {}; } catch { /* nothing is kept */ }
  const keep = (name, value) => {
    kept[name] = value;
    try { localStorage.setItem(key, JSON.stringify(kept)); } catch { /* nor is this */ }
  };
  const two = (n) => String(n).padStart(2, "0");
  const days = ["Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"];
  const local = (d) => `${d.getFullYear()}-${two(d.getMonth() + 1)}-${two(d.getDate())}` +
    `T${two(d.getHours())}:${two(d.getMinutes())}`;

  const schedule = (group) => {
    const start = new Date(group.querySelector(".begin").value).getTime();
    const machines = Math.max(1, Number(group.querySelector(".machines").value) || 1);
    if (Number.isNaN(start)) return;
    const free = Array(machines).fill(start);
    for (const plate of group.querySelectorAll(".plate")) {
      const on = free.indexOf(Math.min(...free));
      for (const time of plate.querySelectorAll("time[data-at]")) {
        const at = new Date(free[on] + 1000 * Number(time.dataset.at));
        time.dateTime = local(at);
        time.firstChild.textContent = `${days[at.getDay()]} ${two(at.getHours())}:` +
          `${two(at.getMinutes())} `;
      }
      const machine = plate.querySelector(".machine");
      machine.textContent = machines > 1 ? ` · machine ${on + 1}` : "";
      free[on] += 1000 * (Number(plate.dataset.time) + Number(plate.dataset.change));
    }
  };
  document.querySelectorAll(".machines-of").forEach((group, i) => {
    const begin = group.querySelector(".begin"), machines = group.querySelector(".machines");
    group.querySelector(".start").hidden = false;
    const soon = new Date(Math.ceil(Date.now() / 3e5) * 3e5);
    begin.value = begin.value || kept[`begin ${i}`] || local(soon);
    machines.value = kept[`machines ${i}`] || machines.value;
    for (const input of [begin, machines]) {
      input.addEventListener("input", () => {
        keep(`begin ${i}`, begin.value);
        keep(`machines ${i}`, machines.value);
        schedule(group);
      });
    }
    schedule(group);
  });

  document.querySelectorAll(".sheet input").forEach((box) => {
    box.checked = Boolean(kept[box.id]);
    box.addEventListener("change", () => keep(box.id, box.checked));
  });

  let opened = [];
  addEventListener("beforeprint", () => {
    opened = [...document.querySelectorAll("details:not([open])")];
    opened.forEach((d) => { d.open = true; });
  });
  addEventListener("afterprint", () => opened.forEach((d) => { d.open = false; }));
  const shown = () => {
    const part = document.getElementById(decodeURIComponent(location.hash.slice(1)));
    part?.querySelector("details")?.setAttribute("open", "");
  };
  addEventListener("hashchange", shown);
  shown();
})();
