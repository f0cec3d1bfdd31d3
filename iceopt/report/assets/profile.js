// The interactive depth profile: plain SVG, drawn anew at each change; the data are in #profile-data.
// At the end, the little else that the page does.
"use strict";
(() => {
  const seasons = JSON.parse(document.getElementById("profile-data").textContent);
  const TITLES = ["effective scattering length (m)", "absorption length (m)"];
  const WIDTH = 520, HEIGHT = 560, LEFT = 58, RIGHT = 14, TOP = 24, BOTTOM = 48;
  const SPACE = "http://www.w3.org/2000/svg";
  const panels = document.getElementById("panels");
  const whole = [Math.min(...seasons.map((s) => s.edges[0])), Math.max(...seasons.map((s) => s.edges.at(-1)))];
  const shown = seasons.map(() => true);
  let view = [...whole];
  let here = null; // depth of the chosen layer
  let drag = null; // depths between which the mouse has dragged

  const colour = (k) => `var(--s${k % 6})`;
  const clamp = (x, low, high) => Math.min(Math.max(x, low), high);
  const layerAt = (s, depth) => s.edges.findIndex((edge, i) => i + 1 < s.edges.length && depth >= edge && depth < s.edges[i + 1]);
  const yOf = (depth) => TOP + ((depth - view[0]) / (view[1] - view[0])) * (HEIGHT - TOP - BOTTOM);
  const visible = () => seasons.map((s, k) => [s, k]).filter(([, k]) => shown[k]);
  const metres = (x) => (x < 10 ? x.toFixed(2) : x.toFixed(1));

  function add(parent, tag, attributes, text) {
    const node = document.createElementNS(SPACE, tag);
    for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
    if (text !== undefined) node.textContent = text;
    parent.append(node);
    return node;
  }

  function ticks(low, high, count) {
    const rough = (high - low) / count, power = 10 ** Math.floor(Math.log10(rough));
    const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= rough);
    const first = Math.ceil(low / step), last = Math.floor(high / step + 1e-9);
    return Array.from({ length: Math.max(last - first + 1, 0) }, (_, i) => Number(((first + i) * step).toPrecision(12)));
  }

  function largest(which) {
    let most = 0;
    for (const [s] of visible())
      s.lengths[which].quantiles[4].forEach((q, i) => {
        // Where the prior speaks its wide band may run out of the picture, rather than squeeze the rest.
        const reach = s.lengths[which].byPrior[i] ? s.lengths[which].quantiles[3][i] : q;
        if (s.edges[i + 1] > view[0] && s.edges[i] < view[1]) most = Math.max(most, reach);
      });
    return 1.08 * (most || 1);
  }

  function staircase(edges, values, x) {
    return values.flatMap((v, i) => [[x(v), yOf(edges[i])], [x(v), yOf(edges[i + 1])]]);
  }

  const joined = (points) => points.map(([x, y]) => `${x.toFixed(1)},${y.toFixed(1)}`).join(" ");

  function drawPanel(which) {
    const svg = document.createElementNS(SPACE, "svg");
    svg.setAttribute("viewBox", `0 0 ${WIDTH} ${HEIGHT}`);
    svg.setAttribute("role", "img");
    svg.setAttribute("aria-label", `${TITLES[which]} against depth`);
    const most = largest(which), low = HEIGHT - BOTTOM, right = WIDTH - RIGHT;
    const x = (value) => LEFT + (clamp(value, 0, most) / most) * (right - LEFT);
    const defs = add(svg, "defs", {});
    const clip = add(defs, "clipPath", { id: `clip${which}` });
    add(clip, "rect", { x: LEFT, y: TOP, width: right - LEFT, height: low - TOP });
    const hatch = add(defs, "pattern", { id: `hatch${which}`, width: 8, height: 8, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" });
    add(hatch, "line", { x1: 0, y1: 0, x2: 0, y2: 8, class: "hatch" });
    const inside = add(svg, "g", { "clip-path": `url(#clip${which})` });
    drawPrior(inside, which, x, low);
    for (const t of ticks(0, most, 6)) {
      add(inside, "line", { x1: x(t), x2: x(t), y1: TOP, y2: low, class: "grid" });
      add(svg, "text", { x: x(t), y: low + 16, "text-anchor": "middle" }, t);
    }
    for (const t of ticks(view[0], view[1], 9)) {
      add(inside, "line", { x1: LEFT, x2: right, y1: yOf(t), y2: yOf(t), class: "grid" });
      add(svg, "text", { x: LEFT - 10, y: yOf(t) + 4, "text-anchor": "end" }, t);
    }
    for (const [s, k] of visible()) drawSeason(inside, s, k, which, x);
    drawMarks(svg, inside, which, right, low);
    add(svg, "path", { d: `M${LEFT} ${TOP}V${low}H${right}`, class: "axis" });
    add(svg, "text", { x: (LEFT + right) / 2, y: HEIGHT - 10, "text-anchor": "middle", class: "title" }, TITLES[which]);
    add(svg, "text", { transform: `translate(12 ${(TOP + low) / 2}) rotate(-90)`, "text-anchor": "middle", class: "title" }, "depth below the surface (m)");
    listen(svg);
    return svg;
  }

  function drawPrior(inside, which, x, low) {
    const first = visible()[0];
    if (!first) return;
    const p = first[0].lengths[which].prior;
    for (const [a, b, opacity] of [[p[0], p[4], 0.1], [p[1], p[3], 0.12]])
      add(inside, "rect", { x: x(a), y: TOP, width: Math.max(x(b) - x(a), 0), height: low - TOP, class: "prior", opacity });
  }

  function drawSeason(inside, s, k, which, x) {
    const lengths = s.lengths[which], q = lengths.quantiles;
    for (const [a, b, opacity] of [[0, 4, 0.2], [1, 3, 0.38]]) {
      const points = [...staircase(s.edges, q[a], x), ...staircase(s.edges, q[b], x).reverse()];
      add(inside, "polygon", { points: joined(points), fill: colour(k), opacity });
    }
    const dashes = s.final ? "none" : "6 4";
    add(inside, "polyline", { points: joined(staircase(s.edges, q[2], x)), class: "median", stroke: colour(k), "stroke-dasharray": dashes });
    lengths.byPrior.forEach((flag, i) => {
      if (!flag) return;
      const y = yOf(s.edges[i]);
      add(inside, "rect", { x: LEFT, y, width: WIDTH, height: yOf(s.edges[i + 1]) - y, fill: `url(#hatch${which})`, opacity: 0.7 });
    });
    lengths.converged.forEach((flag, i) => {
      if (flag) return;
      const cx = x(q[2][i]), cy = yOf((s.edges[i] + s.edges[i + 1]) / 2);
      add(inside, "path", { d: `M${cx - 4} ${cy - 4}l8 8m0 -8l-8 8`, class: "cross" });
    });
  }

  function drawMarks(svg, inside, which, right, low) {
    for (const [s] of visible().slice(0, 1)) {
      const [a, b] = s.reach.map((depth) => clamp(yOf(depth), TOP, low));
      if (b > a) add(svg, "line", { x1: LEFT - 3, x2: LEFT - 3, y1: a, y2: b, class: "reach" });
    }
    if (here !== null && visible().length) {
      const s = visible()[0][0], i = layerAt(s, here);
      if (i >= 0) add(inside, "rect", { x: LEFT, y: yOf(s.edges[i]), width: WIDTH, height: yOf(s.edges[i + 1]) - yOf(s.edges[i]), class: "here" });
    }
    if (drag) {
      const [a, b] = [Math.min(...drag), Math.max(...drag)].map(yOf);
      add(inside, "rect", { x: LEFT, y: a, width: WIDTH, height: b - a, class: "drag" });
    }
    const doubtful = visible().filter(([s]) => !s.final);
    if (doubtful.length) {
      const word = doubtful.some(([s]) => !s.converged) ? "NOT CONVERGED, not final" : "not final";
      add(svg, "text", { x: right, y: TOP - 8, "text-anchor": "end", class: "warn" }, word);
    }
    if (!visible().length) add(svg, "text", { x: (LEFT + right) / 2, y: HEIGHT / 2, "text-anchor": "middle" }, "no season is ticked");
  }

  function listen(svg) {
    const depthOf = (event) => {
      const box = svg.getBoundingClientRect();
      const y = ((event.clientY - box.top) / box.height) * HEIGHT;
      return clamp(view[0] + ((y - TOP) / (HEIGHT - TOP - BOTTOM)) * (view[1] - view[0]), view[0], view[1] - 1e-9);
    };
    svg.addEventListener("pointermove", (event) => {
      here = depthOf(event);
      if (drag) drag[1] = here;
      draw();
    });
    svg.addEventListener("pointerdown", (event) => {
      here = depthOf(event);
      if (event.pointerType === "mouse" && event.button === 0) drag = [here, here];
      draw();
    });
  }

  window.addEventListener("pointerup", () => {
    if (!drag) return;
    const [a, b] = [Math.min(...drag), Math.max(...drag)];
    drag = null;
    if (b - a > 0.02 * (view[1] - view[0])) look(a, b);
    else draw();
  });

  function look(top, bottom) {
    const span = clamp(bottom - top, (whole[1] - whole[0]) / 200, whole[1] - whole[0]);
    const start = clamp((top + bottom - span) / 2, whole[0], whole[1] - span);
    view = [start, start + span];
    draw();
  }

  function zoom(factor) {
    const middle = here === null || here < view[0] || here > view[1] ? (view[0] + view[1]) / 2 : here;
    look(middle - (middle - view[0]) * factor, middle + (view[1] - middle) * factor);
  }

  function step(by) {
    const first = visible()[0];
    if (!first) return;
    const s = first[0], count = s.edges.length - 1, at = here === null ? -1 : layerAt(s, here);
    const next = at < 0 ? (by > 0 ? 0 : count - 1) : clamp(at + by, 0, count - 1);
    here = (s.edges[next] + s.edges[next + 1]) / 2;
    const span = view[1] - view[0];
    if (here < view[0] || here > view[1]) look(here - span / 2, here + span / 2);
    else draw();
  }

  function cell(row, text, tag = "td") {
    const node = document.createElement(tag);
    node.textContent = text;
    row.append(node);
    return node;
  }

  function readout() {
    const place = document.getElementById("readout");
    const found = here === null ? [] : visible().map(([s, k]) => [s, k, layerAt(s, here)]).filter(([, , i]) => i >= 0);
    place.classList.toggle("live", found.length > 0);
    if (!found.length) {
      const hint = document.createElement("p");
      hint.className = "key";
      hint.textContent = "No layer is chosen.";
      place.replaceChildren(hint);
      return;
    }
    const table = document.createElement("table");
    const head = table.createTHead().insertRow();
    for (const title of ["", "layer (m)", "scattering (m)", "68 %", "95 %", "absorption (m)", "68 %", "95 %", "R-hat", "size", "counts"]) cell(head, title, "th");
    const body = table.createTBody();
    for (const [s, k, i] of found) {
      const row = body.insertRow();
      const name = cell(row, "", "th");
      const swatch = document.createElement("span");
      swatch.className = s.final ? "swatch" : "swatch dashed";
      swatch.style.borderColor = colour(k);
      name.append(swatch, s.label);
      cell(row, `${s.edges[i]}–${s.edges[i + 1]}`);
      for (const lengths of s.lengths) {
        const q = lengths.quantiles.map((values) => metres(values[i]));
        const doubt = !lengths.converged[i] ? " ✗ not converged" : !s.final ? " not final" : "";
        const median = cell(row, q[2] + doubt);
        median.className = doubt ? "number unsure" : "number";
        cell(row, `${q[1]}–${q[3]}`);
        cell(row, `${q[0]}–${q[4]}`);
      }
      const both = (name, digits, scale = 1) => s.lengths.map((l) => (l[name][i] === null ? "none" : (scale * l[name][i]).toFixed(digits))).join(", ");
      cell(row, both("rhat", 3));
      cell(row, both("ess", 0));
      cell(row, both("share", 0, 100) + "\u00a0%");
    }
    place.replaceChildren(table);
  }

  function draw() {
    panels.replaceChildren(drawPanel(0), drawPanel(1));
    readout();
  }

  function tick(fieldset) {
    seasons.forEach((s, k) => {
      const label = document.createElement("label"), box = document.createElement("input"), swatch = document.createElement("span");
      box.type = "checkbox";
      box.checked = true;
      box.addEventListener("change", () => {
        shown[k] = box.checked;
        draw();
      });
      swatch.className = s.final ? "swatch" : "swatch dashed";
      swatch.style.borderColor = colour(k);
      label.append(box, swatch, s.final ? s.label : `${s.label} (${s.converged ? "not final" : "not converged"})`);
      fieldset.append(label);
    });
  }

  const KEYS = {
    ArrowDown: () => step(1), ArrowUp: () => step(-1), Home: () => { here = null; step(1); }, End: () => { here = null; step(-1); },
    "+": () => zoom(0.5), "=": () => zoom(0.5), "-": () => zoom(2), 0: () => look(...whole),
  };
  panels.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || !(event.key in KEYS)) return;
    event.preventDefault();
    KEYS[event.key]();
  });
  panels.addEventListener("dblclick", () => look(...whole));
  document.getElementById("zoom-in").addEventListener("click", () => zoom(0.5));
  document.getElementById("zoom-out").addEventListener("click", () => zoom(2));
  document.getElementById("whole").addEventListener("click", () => look(...whole));
  window.addEventListener("beforeprint", () => {
    for (const details of document.querySelectorAll("details")) details.open = true;
  });
  for (const button of document.querySelectorAll("figure button"))
    button.addEventListener("click", () => {
      const large = button.closest("figure").classList.toggle("large");
      button.setAttribute("aria-pressed", large);
    });
  const fieldset = document.getElementById("seasons");
  if (fieldset) tick(fieldset);
  document.getElementById("chart").hidden = false;
  draw();
})();
