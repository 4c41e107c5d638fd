"use strict";
(() => {
  const number = (value, range) => {
    const places = Math.max(0, 3 - Math.ceil(Math.log10(range)));
    return value.toFixed(Math.min(places, 6)).replace("-", "\u2212");
  };
  const spoken = (axis, value) => {
    if (axis.scale === "date") return new Date(value * 864e5).toISOString().slice(0, 10);
    const text = axis.scale === "log" ? value.toPrecision(3) : number(value, Math.abs(axis.ends[1] - axis.ends[0]));
    return axis.unit ? text + "\u00a0" + axis.unit : text;
  };
  const toValue = (axis, share) => {
    const [a, b] = axis.scale === "log" ? axis.ends.map(Math.log) : axis.ends;
    const value = a + share * (b - a);
    return axis.scale === "log" ? Math.exp(value) : value;
  };
  const places = (group) => {
    const runs = [];
    for (const path of group ? group.querySelectorAll("path") : []) {
      if (path.closest("defs")) continue;
      for (const [, step, x, y] of path.getAttribute("d").matchAll(/([ML]) *(-?[\d.]+)[ ,]+(-?[\d.]+)/g)) {
        if (step === "M" || !runs.length) runs.push([]);
        runs[runs.length - 1].push([+x, +y]);
      }
    }
    return runs;
  };
  const marks = (group) => [...(group ? group.querySelectorAll("use") : [])].map(
    (one) => [+one.getAttribute("x"), +one.getAttribute("y")]);
  const outline = (group) => {
    const uses = group ? [...group.querySelectorAll("use")] : [];
    if (!uses.length) return places(group);
    const runs = [];
    for (const use of uses) {
      const path = document.querySelector(use.getAttribute("href"));
      const dx = +use.getAttribute("x"), dy = +use.getAttribute("y");
      let run = null;
      for (const [, step, x, y] of (path ? path.getAttribute("d") : "").matchAll(/([ML]) *(-?[\d.]+)[ ,]+(-?[\d.]+)/g)) {
        if (step === "M" || !run) { run = []; runs.push(run); }
        run.push([+x + dx, +y + dy]);
      }
    }
    return runs;
  };
  const crossings = (runs, x, closed) => {
    const found = [];
    for (const run of runs) {
      const last = closed ? run.length : run.length - 1;
      for (let i = 0; i < last; i++) {
        const [x0, y0] = run[i], [x1, y1] = run[(i + 1) % run.length];
        if ((x0 <= x && x <= x1) || (x1 <= x && x <= x0)) found.push(x0 === x1 ? y1 : y0 + (x - x0) / (x1 - x0) * (y1 - y0));
      }
    }
    return found;
  };
  let first = true;
  for (const svg of document.querySelectorAll("svg[data-cursor]")) {
    const panels = JSON.parse(svg.dataset.cursor);
    const area = svg.parentElement, figure = svg.closest("figure");
    const line = svg.appendChild(document.createElementNS(svg.namespaceURI, "path"));
    line.setAttribute("class", "cursor-line");
    const box = document.createElement("p");
    box.className = "cursor-text";
    box.setAttribute("role", "status");
    const hint = first ? "Point at a figure or tap it to read values; with the keyboard, arrow keys while it is in focus." : "";
    first = false;
    box.textContent = hint;
    figure.insertBefore(box, figure.querySelector("figcaption"));
    let at = null, panel = null;
    const show = () => {
      if (at === null) { line.removeAttribute("d"); box.textContent = hint; return; }
      const beside = panels.filter((one) => one.x.ends + "" === panel.x.ends + "" && one.box[0] === panel.box[0]);
      line.setAttribute("d", beside.map((one) => "M " + at + " " + one.box[1] + " V " + one.box[3]).join(" "));
      const x = toValue(panel.x, (at - panel.box[0]) / (panel.box[2] - panel.box[0]));
      const part = panel.parts.find((one) => one[1] <= x && x <= one[2]);
      const words = [(panel.x.name ? panel.x.name + " " : "") + spoken(panel.x, x) + (part ? " (" + part[0] + ")" : "")];
      for (const one of beside) {
        const value = (y) => spoken(one.y, toValue(one.y, (one.box[3] - y) / (one.box[3] - one.box[1])));
        for (const curve of one.curves) {
          const group = document.getElementById(curve.id);
          if (!curve.runs) { curve.runs = places(group); curve.marks = marks(group); }
          let y = null;
          if (curve.runs.length) y = crossings(curve.runs, at, false).pop();
          else if (curve.marks.length) {
            const near = curve.marks.reduce((a, b) => (Math.abs(b[0] - at) < Math.abs(a[0] - at) ? b : a));
            if (Math.abs(near[0] - at) < 12) y = near[1];
          }
          if (y === null || y === undefined) continue;
          let text = curve.name + " " + value(y);
          if (curve.band) {
            curve.edge = curve.edge || outline(document.getElementById(curve.band));
            const ends = crossings(curve.edge, at, true);
            if (ends.length) text += " (" + value(Math.max(...ends)) + " to " + value(Math.min(...ends)) + ")";
          }
          words.push(text);
        }
      }
      box.replaceChildren(...words.map((text) => { const one = document.createElement("span"); one.textContent = text; return one; }));
    };
    const pointed = (event) => {
      const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
      const hit = panels.find((one) => one.box[0] <= point.x && point.x <= one.box[2] && one.box[1] <= point.y && point.y <= one.box[3]);
      if (!hit) return;
      panel = hit; at = Math.round(point.x * 10) / 10; show();
    };
    svg.addEventListener("pointermove", (event) => { if (event.pointerType !== "touch") pointed(event); });
    svg.addEventListener("pointerdown", pointed);
    svg.addEventListener("pointerleave", (event) => { if (event.pointerType === "mouse") { at = null; show(); } });
    area.addEventListener("keydown", (event) => {
      const step = {ArrowLeft: -1, ArrowRight: 1}[event.key];
      if (event.key === "Escape") { at = null; show(); return; }
      if (!step || event.ctrlKey || event.altKey || event.metaKey) return;
      event.preventDefault();
      if (at === null) { panel = panels[0]; at = (panel.box[0] + panel.box[2]) / 2; }
      else at += step * (event.shiftKey ? 20 : 2);
      at = Math.min(Math.max(at, panel.box[0]), panel.box[2]);
      show();
    });
  }
})();
