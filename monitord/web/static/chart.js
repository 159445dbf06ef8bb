/* Reading and zooming a chart by pointer, touch and keys. The picture itself comes from the server, also when zoomed. */
"use strict";

(() => {
  const SVG = "http://www.w3.org/2000/svg";
  const DAYS = ["Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"];
  const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
  const HINT = "Point at the chart, or move the line with the arrow keys. Drag across a time, or press + and −, to zoom; 0 shows all.";
  const LEAST_MS = 30 * 60000;
  const kept = new Map(); // where the line stood, by figure, so that it survives a new picture

  function stampOf(zone) {
    let format;
    const options = { year: "numeric", month: "numeric", day: "numeric", hour: "2-digit", minute: "2-digit", hourCycle: "h23" };
    try { format = new Intl.DateTimeFormat("en-GB", { ...options, timeZone: zone }); }
    catch { format = new Intl.DateTimeFormat("en-GB", { ...options, timeZone: "UTC" }); }
    return (ms) => {
      const part = Object.fromEntries(format.formatToParts(ms).map((p) => [p.type, p.value]));
      const day = new Date(Date.UTC(part.year, part.month - 1, part.day)).getUTCDay();
      return `${DAYS[day]} ${Number(part.day)} ${MONTHS[part.month - 1]} ${part.hour}:${part.minute}`;
    };
  }
  const rounded = (value, decimals) => (decimals < 0 ? Math.round(value * 10 ** decimals) / 10 ** decimals : value);
  const fixed = (value, decimals) => rounded(value, decimals).toFixed(Math.max(decimals, 0)).replace(/^-(?=0\.?0*$)/, "").replace("-", "−");
  /* Decimals of an uncertainty: one digit, two where it begins with 1, as places_of in text/formats.py. */
  function placesOf(u) {
    let exponent = Math.floor(Math.log10(u)), leading = Math.round(10 * u / 10 ** exponent) / 10;
    if (leading >= 9.5) { exponent += 1; leading = 1; }
    return (leading < 1.95 ? 1 : 0) - exponent;
  }
  const iso = (ms) => new Date(ms).toISOString().slice(0, 19) + "Z";
  const clamp = (value, low, high) => Math.min(Math.max(value, low), high);

  function nearest(times, ms) {
    let low = 0, high = times.length - 1;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (times[middle] < ms) low = middle; else high = middle;
    }
    return Math.abs(times[low] - ms) <= Math.abs(times[high] - ms) ? low : high;
  }

  class Chart {
    constructor(figure) {
      this.figure = figure;
      this.svgs = [...figure.querySelectorAll("svg.chart")];
      const data = this.svgs[0].dataset;
      this.start = Number(data.start);
      this.end = Number(data.end);
      this.labels = figure.dataset.labels.split("\n");
      this.stamp = stampOf(figure.dataset.zone);
      this.loading = null;
      this.addReader();
      this.addPointer(figure.querySelector(".drawing"));
      figure.addEventListener("keydown", (event) => this.key(event));
      const before = kept.get(figure.id);
      if (before >= this.start && before <= this.end) this.move(before);
    }

    addReader() {
      const reader = document.createElement("div");
      reader.className = "reader";
      this.slider = document.createElement("input");
      Object.assign(this.slider, { type: "range", id: `read-${this.figure.id}`, min: this.start, max: this.end });
      this.slider.step = Math.max(1, Math.round((this.end - this.start) / 352));
      // a forecast is drawn beyond the present, where nothing is to be read
      const newest = Math.max(this.start, Math.min(this.end, Date.parse(document.body.dataset.now)));
      this.slider.value = newest;
      this.slider.setAttribute("aria-label", "Time to read at; plus and minus zoom, zero shows all");
      this.slider.setAttribute("aria-valuetext", this.stamp(newest));
      this.output = document.createElement("output");
      if (this.figure.matches("#charts figure:first-of-type")) this.output.textContent = HINT;
      reader.append(this.slider, this.output);
      this.figure.querySelector(".drawing").after(reader);
      this.slider.addEventListener("input", () => this.move(Number(this.slider.value)));
      this.slider.addEventListener("focus", () => this.load());
    }

    load() {
      if (!this.loading) {
        const query = new URLSearchParams({ from: iso(this.start), to: iso(this.end), maximum: 352, units: this.figure.dataset.units });
        this.figure.dataset.traces.split("\n").forEach((trace) => query.append("trace", trace));
        this.loading = fetch(`/api/jobs/${encodeURIComponent(this.figure.dataset.job)}/series?${query}`)
          .then((answer) => (answer.ok ? answer.json() : Promise.reject(new Error(answer.status))))
          .catch(() => { this.loading = null; return null; });
      }
      return this.loading;
    }

    async move(ms) {
      this.at = clamp(ms, this.start, this.end);
      kept.set(this.figure.id, this.at);
      this.slider.value = this.at;
      this.draw("hand", (x, box) => ["path", { d: `M${x(this.at)} ${box.top}V${box.bottom}` }]);
      const data = await this.load();
      if (data) this.tell(data);
    }

    tell(data) {
      const width = (this.end - this.start) / 352;
      const parts = data.traces.map((trace, i) => {
        const n = trace.time_ms.length ? nearest(trace.time_ms, this.at) : -1;
        const near = n >= 0 && Math.abs(trace.time_ms[n] - this.at) <= Math.max(2 * width, 3600000);
        return { style: `s${i + 1}`, label: this.labels[i], words: near ? this.words(trace, n, data.coverage) : "no reading" };
      });
      const time = document.createElement("b");
      time.textContent = this.stamp(this.at);
      this.output.replaceChildren(time, ...parts.map((part) => {
        const item = document.createElement("span"), name = document.createElement("b");
        name.className = part.style;
        name.textContent = part.label;
        item.append(name, ` ${part.words}`);
        return item;
      }));
      const text = parts.map((part) => `${part.label} ${part.words}`).join("; ");
      this.slider.setAttribute("aria-valuetext", `${this.stamp(this.at)}: ${text}`);
    }

    words(trace, n, coverage) {
      const u = coverage * trace.u[n]; // null, not known, counts as 0
      const d = u > 0 ? placesOf(u) : trace.decimals;
      const uncertainty = u > 0 ? ` ± ${fixed(u, d)}` : "";
      const wide = trace.high[n] - trace.low[n] > 2 * 10 ** -d;
      const range = wide ? ` (${fixed(trace.low[n], d)} to ${fixed(trace.high[n], d)})` : "";
      return `${fixed(trace.mean[n], d)}${uncertainty} ${trace.unit}${range}`;
    }

    /* One mark on each drawing, wide and narrow; an earlier one of that name goes. */
    draw(name, make) {
      for (const svg of this.svgs) {
        svg.querySelector(`.${name}`)?.remove();
        if (!make) continue;
        const box = Object.fromEntries(["left", "right", "top", "bottom"].map((key) => [key, Number(svg.dataset[key])]));
        const x = (ms) => box.left + (ms - this.start) / (this.end - this.start) * (box.right - box.left);
        const [kind, attributes] = make(x, box);
        const mark = document.createElementNS(SVG, kind);
        mark.setAttribute("class", name);
        for (const [key, value] of Object.entries(attributes)) mark.setAttribute(key, value);
        svg.append(mark);
      }
    }

    timeAt(event) {
      const svg = this.svgs.find((item) => item.getClientRects().length);
      const area = svg.getBoundingClientRect(), scale = svg.viewBox.baseVal.width / area.width;
      const { left, right } = svg.dataset;
      const share = ((event.clientX - area.left) * scale - left) / (right - left);
      return this.start + clamp(share, 0, 1) * (this.end - this.start);
    }

    addPointer(area) {
      let from = null;
      area.addEventListener("pointerdown", (event) => {
        if (event.button || !(event.target instanceof Element) || !event.target.closest("svg.chart")) return;
        from = { x: event.clientX, ms: this.timeAt(event) };
        area.setPointerCapture(event.pointerId);
      });
      area.addEventListener("pointermove", (event) => {
        if (from && Math.abs(event.clientX - from.x) > 6) {
          const ends = [from.ms, this.timeAt(event)].sort((a, b) => a - b);
          this.draw("choice", (x, box) => ["rect", {
            x: x(ends[0]), y: box.top, width: x(ends[1]) - x(ends[0]), height: box.bottom - box.top }]);
        } else if (event.pointerType === "mouse") {
          this.move(this.timeAt(event));
        }
      });
      area.addEventListener("pointerup", (event) => {
        if (!from) return;
        const far = Math.abs(event.clientX - from.x) > 6, ends = [from.ms, this.timeAt(event)].sort((a, b) => a - b);
        from = null;
        this.draw("choice", null);
        if (far) this.show(ends[0], ends[1]); else this.move(ends[0]);
      });
      area.addEventListener("pointercancel", () => { from = null; this.draw("choice", null); });
      area.addEventListener("dblclick", () => this.zoom(2));
    }

    key(event) {
      if (event.ctrlKey || event.metaKey || event.altKey || event.target !== this.slider) return;
      if (event.key === "+" || event.key === "=") this.zoom(0.5);
      else if (event.key === "-" || event.key === "−") this.zoom(2);
      else if (event.key === "0") this.show(-Infinity, Infinity);
      else return;
      event.preventDefault();
    }

    zoom(factor) {
      const middle = this.at ?? (this.start + this.end) / 2, half = factor * (this.end - this.start) / 2;
      this.show(middle - half, middle + half);
    }

    show(start, end) {
      const first = Number(this.figure.dataset.first), last = Number(this.figure.dataset.last);
      const length = clamp(end - start, LEAST_MS, last - first);
      const from = clamp(Number.isFinite(start) ? (start + end - length) / 2 : first, first, last - length);
      const url = new URL(this.figure.dataset.base, location.href);
      if (length >= last - first) url.searchParams.set("span", "all");
      else { url.searchParams.set("from", iso(from)); url.searchParams.set("to", iso(from + length)); }
      return window.monitord.go(url.href);
    }
  }

  function start() {
    for (const figure of document.querySelectorAll("figure[data-chart]")) {
      if (!figure.querySelector(".reader")) new Chart(figure);
    }
  }
  document.addEventListener("monitord:put", start);
  start();
})();
