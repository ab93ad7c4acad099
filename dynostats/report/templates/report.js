(function () {
  "use strict";
  const read = (id) => JSON.parse(document.getElementById(id).textContent);
  const result = read("result");
  const pictures = read("charts");
  const units = read("units");
  const unit = Object.fromEntries(Object.entries(units).map(([kind, choices]) => [kind, choices[0]]));
  const state = { hidden: new Set(), low: 0, high: 0 };
  const views = new Map();

  // ---- units -----------------------------------------------------------------------------
  const factor = (kind) => unit[kind].factor;
  const unitName = (kind) => unit[kind].name;
  const kindOf = (column) => Object.keys(units).find((kind) => String(column).endsWith("_" + kind));

  function decimal(value, digits, signed) {
    const size = Math.abs(value).toFixed(digits);
    if (Number(size) === 0) return size;
    const grouped = size.replace(/\B(?=(\d{3})+(?!\d))/g, ",");
    return (value < 0 ? "−" : signed ? "+" : "") + grouped;
  }

  function showUnits() {
    for (const span of document.querySelectorAll(".q")) {
      const { kind, value, digits, signed, bare } = span.dataset;
      const shown = Number(digits) + unit[kind].more_digits;
      const number = decimal(Number(value) * factor(kind), shown, signed !== undefined);
      span.textContent = bare === undefined ? number + " " + unitName(kind) : number;
    }
    const columns = ["baseline_kw", "candidate_kw", "baseline_nm", "candidate_nm"];
    for (const line of document.querySelectorAll("tr[data-row]")) {
      const row = result.curve[Number(line.dataset.row)];
      columns.forEach((name, i) => {
        line.cells[i + 1].textContent = decimal(row[name] * factor(name.slice(-2)), 1);
      });
    }
    for (const span of document.querySelectorAll("[data-unit]")) {
      span.textContent = unitName(span.dataset.unit);
    }
  }

  // ---- pulls shown or hidden ---------------------------------------------------------------
  function offerHiding(head) {
    const box = document.createElement("input");
    const label = document.createElement("label");
    box.type = "checkbox";
    box.checked = true;
    label.append(box, head.dataset.pull);
    head.replaceChildren(label);
    box.addEventListener("change", () => {
      if (box.checked) state.hidden.delete(head.dataset.pull); else state.hidden.add(head.dataset.pull);
      drawAll();
    });
  }

  // ---- charts ----------------------------------------------------------------------------
  function rowsOf(columns) {
    const names = Object.keys(columns);
    const scale = names.map((name) => (kindOf(name) ? factor(kindOf(name)) : 1));
    const rows = columns[names[0]].map((_, i) => {
      const row = {};
      names.forEach((name, j) => {
        const value = columns[name][i];
        row[name] = scale[j] !== 1 && value !== null ? value * scale[j] : value;
      });
      return row;
    });
    return rows.filter((row) => !state.hidden.has(row.pull));
  }

  // The curve stands in the result already; the charts take it from there.
  const curveColumns = Object.fromEntries(
    Object.keys(result.curve[0]).map((key) => [key, result.curve.map((row) => row[key])]));

  const renamed = (title) => Object.keys(units).reduce(
    (text, kind) => text.replace("[" + units[kind][0].name + "]", "[" + unitName(kind) + "]"), title);

  function withUnits(part) {
    if (Array.isArray(part)) return part.map(withUnits);
    if (part === null || typeof part !== "object") return part;
    const copy = {};
    for (const [key, value] of Object.entries(part)) {
      copy[key] = key === "title" && typeof value === "string" ? renamed(value) : withUnits(value);
    }
    // An axis with fixed ends moves with the unit of what it shows.
    const kind = kindOf(part.field);
    if (kind && copy.scale && Array.isArray(copy.scale.domain)) {
      copy.scale.domain = copy.scale.domain.map((end) => end * factor(kind));
    }
    return copy;
  }

  function specOf(name) {
    const spec = withUnits(pictures.charts[name]);
    spec.width = "container";
    spec.datasets = {};
    for (const [key, columns] of Object.entries(pictures.datasets)) {
      spec.datasets[key] = rowsOf(columns === "curve" ? curveColumns : columns);
    }
    if (name === "effect") {
      if (matchMedia("(pointer: fine)").matches) {
        // Dragging on a touch screen scrolls the page; the two ends do the same work there.
        spec.layer.at(-1).params = [{
          name: "drag",
          select: { type: "interval", encodings: ["x"], mark: { fillOpacity: 0, strokeOpacity: 0 } },
        }];
      }
      spec.layer.unshift({
        data: { name: "window" },
        mark: { type: "rect", color: "var(--c-axis)", opacity: 0.22 },
        encoding: { x: { field: "low", type: "quantitative" }, x2: { field: "high" } },
      });
      spec.datasets.window = windowRows();
    }
    return spec;
  }

  const tip = document.createElement("div");
  tip.className = "tip";
  tip.hidden = true;
  document.body.append(tip);
  function showTip(_, event, __, value) {
    if (value === null || value === undefined || value === "") { tip.hidden = true; return; }
    tip.replaceChildren();
    for (const [key, text] of Object.entries(value)) {
      const line = document.createElement("div");
      const label = document.createElement("b");
      label.textContent = key + ": ";
      line.append(label, String(text));
      tip.append(line);
    }
    tip.hidden = false;
    const left = Math.min(event.clientX + 14, innerWidth - tip.offsetWidth - 8);
    const top = Math.min(event.clientY + 14, innerHeight - tip.offsetHeight - 8);
    tip.style.left = Math.max(4, left) + "px";
    tip.style.top = Math.max(4, top) + "px";
  }

  let round = 0;
  async function draw(place) {
    const name = place.dataset.chart;
    const mine = round;
    const stage = document.createElement("div");
    stage.style.width = "100%";
    stage.setAttribute("aria-hidden", "true"); // the place around it carries the label
    place.append(stage);
    try {
      const options = { actions: false, renderer: "svg", tooltip: showTip, ast: false };
      const spec = specOf(name);
      const drawn = await vegaEmbed(stage, spec, options);
      if (mine !== round) { // units or pulls changed meanwhile: a later drawing is on its way
        drawn.finalize();
        stage.remove();
        return;
      }
      const old = views.get(name);
      if (old) old.finalize();
      views.set(name, drawn);
      place.replaceChildren(stage);
      place.classList.add("live");
      if (name === "effect" && spec.layer.at(-1).params) {
        drawn.view.addSignalListener("drag", (_, picked) => dragWindow(picked.rpm));
      }
    } catch (error) {
      stage.remove(); // the static picture stays
      console.error(error);
    }
  }

  const places = [...document.querySelectorAll(".chart[data-chart]")];
  function drawAll() {
    round += 1;
    return Promise.all(places.map(draw));
  }

  // ---- window of engine speed ------------------------------------------------------------
  const lowInput = document.getElementById("window-low");
  const highInput = document.getElementById("window-high");
  const out = document.getElementById("window-out");

  const whole = () => state.low <= result.curve[0].rpm && state.high >= result.curve.at(-1).rpm;
  const windowRows = () => (whole() ? [] : [{ low: state.low, high: state.high }]);

  function logMeanPct(values) {
    if (values.some((value) => value === null)) return null;
    const sum = values.reduce((total, value) => total + Math.log1p(value / 100), 0);
    return 100 * Math.expm1(sum / values.length);
  }

  function windowEffect(low, high) {
    const inside = result.curve.filter((row) => row.rpm >= low && row.rpm <= high);
    const mean = (key) => logMeanPct(inside.map((row) => row[key]));
    return { n: inside.length, effect: mean("effect_pct"), low: mean("low_pct"), high: mean("high_pct") };
  }

  function showWindow() {
    const found = windowEffect(state.low, state.high);
    const range = decimal(state.low, 0) + " to " + decimal(state.high, 0) + " rpm";
    const interval = found.low === null
      ? "no interval, the noise is unknown"
      : out.dataset.level + " interval " + decimal(found.low, 2, true) + " to " + decimal(found.high, 2, true) + "%";
    out.textContent = range + ": " + decimal(found.effect, 2, true) + "% (" + interval + ")";
    Object.assign(out.dataset, { effect: found.effect, low: found.low, high: found.high, n: found.n });
    for (const input of [lowInput, highInput]) {
      input.setAttribute("aria-valuetext", decimal(Number(input.value), 0) + " rpm");
    }
    const view = views.get("effect");
    if (view) view.view.data("window", windowRows()).runAsync();
  }

  function moveWindow(event) {
    // The end that was moved pushes the other along, so the window never turns inside out.
    const low = Number(lowInput.value);
    const high = Number(highInput.value);
    if (low > high) {
      if (event && event.target === lowInput) highInput.value = low; else lowInput.value = high;
    }
    state.low = Number(lowInput.value);
    state.high = Number(highInput.value);
    showWindow();
  }

  function dragWindow(picked) {
    const [low, high] = picked || [Number(lowInput.min), Number(highInput.max)];
    lowInput.value = Math.min(low, high); // the input itself snaps to the grid
    highInput.value = Math.max(low, high);
    moveWindow();
  }

  // ---- start -----------------------------------------------------------------------------
  document.querySelector(".tools").hidden = false;
  document.getElementById("hiding").hidden = false;
  document.querySelectorAll("[data-pull]").forEach(offerHiding);
  for (const input of [lowInput, highInput]) input.addEventListener("input", moveWindow);
  for (const select of document.querySelectorAll("select[data-kind]")) {
    const choose = () => {
      unit[select.dataset.kind] = units[select.dataset.kind][select.selectedIndex];
    };
    select.selectedIndex = Number(select.dataset.opened); // also on a reloaded page
    choose();
    select.addEventListener("change", () => {
      choose();
      showUnits();
      drawAll();
    });
  }
  showUnits();
  moveWindow();
  drawAll().then(() => { document.documentElement.dataset.ready = "yes"; });
})();
