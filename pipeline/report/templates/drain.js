// One drain's strip: which stretch is shown, drawn from the level that suits it, and the minute pointed at.
(function () {
  "use strict";
  const NAME = "strip", MINUTE = 60000, NARROWEST = 30 * MINUTE;
  const dom = (id) => document.getElementById(id);
  const place = dom(NAME);
  if (!place) return;
  const data = JSON.parse(dom(NAME + "-data").textContent);
  const { first: origin, begin, end, most, wide } = data;

  // ---- columns as they were before they were written small
  const columns = data.columns.map((column) => {
    let each = column.each;
    if (column.runs) {
      each = [];
      for (let i = 0; i < column.runs.length; i += 2)
        for (let n = 0; n < column.runs[i + 1]; n++) each.push(column.runs[i]);
    }
    if (column.words) return each.map((v) => (v === null ? null : column.words[v]));
    const scale = 10 ** column.digits;
    return each.map((v) => (v === null ? null : v / scale));
  });
  const levels = data.levels.map((level) => {
    const skipped = columns[level.skipped], minutes = columns[level.minutes], at = new Array(minutes.length);
    let next = 0;
    for (let i = 0; i < minutes.length; i++) {
      at[i] = next + skipped[i];
      next = at[i] + minutes[i];
    }
    return { width: level.width, at, minutes, drawn: level.drawn };
  });
  const finest = levels[0];
  const told = Object.fromEntries(Object.entries(data.minutes).map(([name, n]) => [name, columns[n]]));
  const instant = (minute) => origin + minute * MINUTE;

  // ---- the site's clock
  const ahead = (ms) => {
    let by = data.shifts.length ? data.shifts[0][1] : 0;
    for (const [at, minutes] of data.shifts) if (ms >= at) by = minutes;
    return by * MINUTE;
  };
  const DAYS = ["Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"];
  const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
  const two = (n) => String(n).padStart(2, "0");
  const clock = (ms) => {
    const d = new Date(ms + ahead(ms));
    return { date: `${DAYS[d.getUTCDay()]} ${two(d.getUTCDate())} ${MONTHS[d.getUTCMonth()]}`,
      year: d.getUTCFullYear(), time: `${two(d.getUTCHours())}:${two(d.getUTCMinutes())}` };
  };
  const moment = (ms) => `${clock(ms).date} ${clock(ms).year} ${clock(ms).time}`;
  const offset = (ms) => {
    const by = ahead(ms) / MINUTE, far = Math.abs(by);
    return `UTC${by < 0 ? "−" : "+"}${Math.floor(far / 60)}${far % 60 ? ":" + two(far % 60) : ""}`;
  };
  const lasted = (ms) => {
    const minutes = Math.round(ms / MINUTE);
    if (minutes < 60) return `${minutes} min`;
    if (minutes < 2880) return `${Math.floor(minutes / 60)} h${minutes % 60 ? ` ${minutes % 60} min` : ""}`;
    const hours = Math.round(minutes / 60);
    return `${Math.floor(hours / 24)} days${hours % 24 ? ` ${hours % 24} h` : ""}`;
  };
  const STEPS = [1, 2, 5, 10, 15, 30, 60, 120, 180, 360, 720, 1440, 2880, 7200].map((m) => m * MINUTE);
  function ticks(from, to, room) {
    const step = STEPS.find((s) => (to - from) / s <= room) || STEPS[STEPS.length - 1];
    const found = [];
    // On the wall's round hours, also after the clock was changed on the way.
    for (let wall = Math.ceil((from + ahead(from)) / step) * step; wall - ahead(to) <= to + 2 * 60 * MINUTE; wall += step) {
      let ms = wall - ahead(wall - ahead(from));
      ms = wall - ahead(ms);
      if (ms >= from && ms <= to && (!found.length || ms > found[found.length - 1])) found.push(ms);
    }
    return found;
  }

  // ---- what is drawn of a stretch
  function first(at, minute) { // place of the first bucket that begins after this minute, less one
    let low = 0, high = at.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (at[middle] <= minute) low = middle + 1;
      else high = middle;
    }
    return Math.max(0, low - 1);
  }
  function slice(level, from, to) {
    const a = first(level.at, (from - origin) / MINUTE);
    let b = first(level.at, (to - origin) / MINUTE) + 1;
    b = Math.min(b, level.at.length);
    return [a, b];
  }
  function levelFor(from, to) {
    for (const level of levels) {
      const [a, b] = slice(level, from, to);
      if (b - a <= most) return level;
    }
    return levels[levels.length - 1];
  }
  function rows(level, name, a, b) {
    // A path by steps: each run of buckets closed at its last bucket's end, then broken.
    const [lo, hi] = level.drawn[name].map((n) => columns[n]);
    const made = [];
    let open = -1;
    const close = () => {
      if (open < 0) return;
      const t = instant(level.at[open] + level.minutes[open]);
      made.push({ t, lo: lo[open], hi: hi[open] }, { t, lo: null, hi: null });
      open = -1;
    };
    for (let i = a; i < b; i++) {
      if (open >= 0 && (lo[i] === null || level.at[i] !== level.at[open] + level.minutes[open])) close();
      if (lo[i] === null) continue;
      made.push({ t: instant(level.at[i]), lo: lo[i], hi: hi[i] });
      open = i;
    }
    close();
    return made;
  }
  function holes(from, to) {
    const [a, b] = slice(finest, from, to), made = [], least = (to - from) / wide;
    const hole = (x, y) => {
      const t = Math.max(instant(x), from), u = Math.min(instant(y), to);
      if (u > t) made.push({ t, u: Math.max(u, t + least) });
    };
    for (let i = a; i < b; i++) {
      const until = finest.at[i] + finest.minutes[i];
      const next = i + 1 < finest.at.length ? finest.at[i + 1] : (end - origin) / MINUTE;
      if (next > until) hole(until, next);
    }
    if (a === 0) hole((begin - origin) / MINUTE, finest.at[0]);
    return made;
  }
  function shownBands(from, to) {
    const pixel = (to - from) / wide, made = [];
    let last = null;
    for (const [lane, a, b, colour, label, grade, detail, atOnce] of data.bands) {
      if (b <= from || a >= to) continue;
      const t = Math.max(a, from), u = Math.min(b, to);
      // Boxes of one lane and grade that touch on the paper become one.
      if (last && !atOnce && last.lane === lane && last.shown === grade && last.colour === colour &&
          lane !== "day" && lane !== "device" && lane !== "canister" && t - last.u < pixel) {
        last.u = Math.max(last.u, u);
        last.b = Math.max(last.b, b);
        last.many += 1;
        last.minutes += b - a;
        last.label = "";
        continue;
      }
      last = { t, u: Math.max(u, t + pixel), lane, colour, shown: grade, label, a, b, many: 1, minutes: b - a, detail, atOnce };
      made.push(last);
    }
    return made.map((band) => {
      const room = (band.u - band.t) / pixel, said = band.many > 1 ? `${band.many} stretches` : band.label;
      return { t: band.t, u: band.u, from_t: band.atOnce ? band.u : band.t, lane: band.lane, colour: band.colour,
        label: [said, said.split(",")[0], ...(band.lane === "day" ? [said.split(",")[0].replace("day ", "")] : [])].find((words) => band.atOnce || room > 6.3 * words.length + 8) || "",
        what: band.lane, from: moment(band.a), until: moment(band.b),
        lasted: band.many > 1 ? `${lasted(band.minutes)} in ${band.many} stretches` : lasted(band.minutes),
        grade: band.shown || "–", detail: band.many > 1 ? "zoom in to tell them apart" : band.detail || band.label };
    });
  }
  const rules = data.bands
    .filter(([lane, a]) => (lane === "canister" && a > begin) || lane === "clock")
    .map(([, a]) => ({ t: a }));

  // ---- drawing
  let view = null, shown = [begin, end];
  const drawable = () => Object.keys(finest.drawn);
  function paint() {
    const [from, to] = shown, level = levelFor(from, to), [a, b] = slice(level, from, to);
    for (const name of drawable()) {
      try { view.data(name, rows(level, name, a, b)); } catch (missing) { /* a panel that was left out */ }
    }
    view.data("hole", holes(from, to)).data("band", shownBands(from, to));
    view.data("rule", rules.filter(({ t }) => t > from && t < to));
    view.data("window", [{ t: from, u: to }]);
    view.signal("span", [from, to]).signal("ticks", ticks(from, to, 10));
    view.signal("pressure_y", fitted(level, ["pressure", "set"], a, b, [-25, 0]));
    view.signal("fluid_y", fitted(level, ["output", "floor"], a, b, [0, 100]));
    dom(NAME + "-shown").textContent =
      `Shown: ${moment(from)} to ${moment(to)}, ${lasted(to - from)} (${data.zone}${data.shifts.length > 1 ? `, ${offset(from)} at its start` : ""}).`;
    dom(NAME + "-width").textContent = level.width === 1
      ? "Just now each minute is drawn."
      : `Just now up to ${level.width} minutes stand in one step; closer up each minute is drawn.`;
    place.dataset.from = from;
    place.dataset.to = to;
    place.dataset.bucket = level.width;
    rule();
  }
  function fitted(level, names, a, b, otherwise) {
    // The least and the greatest of what is shown, with a little room.
    let low = Infinity, high = -Infinity;
    for (const name of names) {
      const [lo, hi] = level.drawn[name].map((n) => columns[n]);
      for (let i = a; i < b; i++) {
        if (lo[i] !== null && lo[i] < low) low = lo[i];
        if (hi[i] !== null && hi[i] > high) high = hi[i];
      }
    }
    if (low > high) return otherwise;
    const room = Math.max((high - low) * 0.05, 0.5);
    return [low - room, high + room];
  }
  async function show(from, to) {
    let span = Math.min(Math.max(to - from, NARROWEST), end - begin);
    const middle = (from + to) / 2;
    from = Math.min(Math.max(middle - span / 2, begin), end - span);
    to = from + span;
    shown = [from, to];
    if (!view) return;
    const started = performance.now();
    paint();
    await view.runAsync();
    place.dataset.redrawn = (performance.now() - started).toFixed(1);
    place.dataset.draws = 1 + Number(place.dataset.draws || 0);
  }
  let queued = null;
  function later(from, to) { // no more than once a frame
    if (queued === null) requestAnimationFrame(() => { const [a, b] = queued; queued = null; show(a, b); });
    queued = [from, to];
  }
  const onWhole = (share) => begin + Math.min(Math.max(share, 0), 1) * (end - begin);

  // ---- the minute told below
  const slider = dom(NAME + "-minute"), ruler = place.querySelector(".strip-rule");
  let current = 0;
  const number = (v, unit, digits) =>
    v === null ? null : `${v.toFixed(digits).replace("-", "−")} ${unit}`;
  function said(i) {
    const t = (name) => told[name][i], words = data.words, at = instant(finest.at[i]);
    const flags = (t("flags") || "").split(" ").filter(Boolean).map((kind) => words.flags[kind] || kind);
    const graded = data.bands.filter(([lane, a, b, , , grade]) => grade && a <= at && at < b && flags.includes(lane))
      .map(([lane, , , , , grade]) => `${lane}: ${grade}`);
    const rings = data.bands.filter(([lane, a, b]) => lane.startsWith("rings: ") && a <= at && at < b).map(([lane]) => lane.slice(7));
    const notes = data.bands.filter(([lane, a, b]) => lane === "staff noted" && a <= at && at < b).map(([, , , , label]) => label);
    const clocks = data.bands.filter(([lane, a]) => lane === "clock" && a === at).map(([, , , , label]) => label);
    const fluid = number(t("output"), "mL", 1);
    const tidaling = words.tidaling[t("tidaling")] || null, basis = words.basis[t("basis")];
    return [
      ["minute", `${moment(at)} (${offset(at)})`],
      ["UTC", new Date(at).toISOString().slice(0, 16).replace("T", " ")],
      ["the device", words.state[t("state")] || t("state")],
      ["pressure, mean", number(t("mean"), "cm[H2O]", 2)],
      ["pressure, least", number(t("least"), "cm[H2O]", 2)],
      ["pressure, greatest", number(t("greatest"), "cm[H2O]", 2)],
      ["pressure ordered", number(t("set"), "cm[H2O]", 2)],
      ["air leak", number(t("leak"), "mL/min", 1)],
      ["leak, median around", number(t("median"), "mL/min", 2), "too few minutes to tell"],
      ["fluid so far", fluid === null ? null : t("read") ? fluid : `at least ${fluid} (not read just then)`],
      ["tilt", number(t("tilt"), "deg", 1)],
      ["tidaling", tidaling && basis ? `${tidaling}, ${basis}` : tidaling],
      ["swing", number(t("swing"), "cm[H2O]", 2), "no trace shows one"],
      ["breaths", number(t("rate"), "a minute", 1), "no trace shows them"],
      ["in force", [...flags.filter((flag) => !graded.some((g) => g.startsWith(flag + ":"))), ...graded].join("; ") || "nothing flagged"],
      ...(rings.length ? [["ringing", rings.join("; ")]] : []),
      ...(notes.length ? [["staff noted", notes.join("; ")]] : []),
      ...(clocks.length ? [["clock", clocks.join("; ")]] : []),
    ];
  }
  function tell(i) {
    current = Math.min(Math.max(i, 0), finest.at.length - 1);
    const facts = said(current), list = dom(NAME + "-told");
    list.replaceChildren(...facts.map(([what, is, otherwise]) => {
      const item = document.createElement("div"), name = document.createElement("dt"), value = document.createElement("dd");
      name.textContent = what;
      value.textContent = is === null ? otherwise || "not read" : is;
      if (is === null) value.className = "unknown";
      item.append(name, value);
      return item;
    }));
    slider.value = current;
    slider.setAttribute("aria-valuetext", `${facts[0][1]}; leak ${facts[7][1] || "not read"}; pressure ${facts[3][1] || "not read"}; tidaling ${facts[11][1] || "not known"}; ${facts[14][1]}`);
    place.dataset.minute = instant(finest.at[current]);
    rule();
  }
  function panels() {
    // The panels' grounds as they lie on the screen, whatever the zoom of the page; the last is the whole course.
    const grounds = place.querySelectorAll(".chart g.role-scope > g > path.background");
    return Array.from(grounds, (ground) => ground.getBoundingClientRect());
  }
  function rule() {
    const boxes = view ? panels() : [];
    if (!boxes.length) return;
    const at = instant(finest.at[current]) + MINUTE / 2, [from, to] = shown;
    ruler.hidden = at < from || at > to;
    if (ruler.hidden) return;
    const frame = place.querySelector(".strip-frame"), outer = frame.getBoundingClientRect();
    const top = boxes[0], foot = boxes[boxes.length - 2];
    ruler.style.left = `${top.left - outer.left + frame.scrollLeft + ((at - from) / (to - from)) * top.width}px`;
    ruler.style.top = `${top.top - outer.top}px`;
    ruler.style.height = `${foot.bottom - top.top}px`;
  }
  function pointed(event) {
    // What lies under the pointer: an instant of the stretch shown, or of the whole course on the bar below.
    const boxes = panels(), bar = boxes[boxes.length - 1];
    const onBar = event.clientY >= bar.top - 6 && event.clientY <= bar.bottom + 6;
    const share = (event.clientX - bar.left) / bar.width;
    const [from, to] = onBar ? [begin, end] : shown;
    const inside = share >= 0 && share <= 1 && (onBar || event.clientY < bar.top);
    return { onBar, inside, share, ms: from + Math.min(Math.max(share, 0), 1) * (to - from) };
  }
  const nearest = (ms) => {
    const minute = Math.floor((ms - origin) / MINUTE), i = first(finest.at, minute);
    // In a hole the nearer of its two ends.
    if (i + 1 < finest.at.length && finest.at[i + 1] - minute < minute - finest.at[i]) return i + 1;
    return i;
  };

  function listen() {
    const frame = place.querySelector(".strip-frame");
    let held = null;
    frame.addEventListener("pointermove", (event) => {
      const here = pointed(event);
      if (!held && here.inside && !here.onBar) tell(nearest(here.ms));
    });
    window.addEventListener("pointermove", (event) => {
      if (!held) return;
      const here = pointed(event), by = here.share - held.share;
      if (held.drawing) later(Math.min(held.ms, onWhole(here.share)), Math.max(held.ms, onWhole(here.share)));
      else {
        const far = by * (held.onBar ? end - begin : held.from - held.to);
        later(held.from + far, held.to + far);
      }
    });
    frame.addEventListener("pointerdown", (event) => {
      const here = pointed(event);
      if (event.button !== 0 || !here.inside) return;
      const [from, to] = shown, part = to - from < 0.98 * (end - begin);
      // On the bar: inside the marked stretch it is moved, beside it a new one is drawn.
      const drawing = here.onBar && !(part && here.ms >= from && here.ms <= to);
      held = { ...here, from, to, drawing };
      event.preventDefault();
    });
    window.addEventListener("pointerup", () => { held = null; });
    frame.addEventListener("wheel", (event) => {
      const here = pointed(event);
      if (!event.ctrlKey || !here.inside || here.onBar) return;
      event.preventDefault();
      const by = event.deltaY > 0 ? 1.4 : 1 / 1.4;
      later(here.ms - (here.ms - shown[0]) * by, here.ms + (shown[1] - here.ms) * by);
    }, { passive: false });
    slider.addEventListener("input", () => {
      tell(Number(slider.value));
      const at = instant(finest.at[current]);
      if (at < shown[0] || at >= shown[1]) {
        const half = (shown[1] - shown[0]) / 2;
        show(at - half, at + half);
      }
    });
    const go = {
      whole: () => show(begin, end),
      closer: () => around(0.5),
      wider: () => around(2),
      earlier: () => move(-0.5),
      later: () => move(0.5),
    };
    function around(by) {
      // Around the minute that is told, if it is shown.
      const at = instant(finest.at[current]), inside = at >= shown[0] && at < shown[1];
      const middle = inside ? at : (shown[0] + shown[1]) / 2, half = ((shown[1] - shown[0]) / 2) * by;
      show(middle - half, middle + half);
    }
    function move(by) {
      const far = by * (shown[1] - shown[0]);
      show(shown[0] + far, shown[1] + far);
    }
    for (const button of place.querySelectorAll("button[data-go]"))
      button.addEventListener("click", () => go[button.dataset.go]());
    const days = data.bands.filter(([lane]) => lane === "day");
    place.querySelector("select[data-go=day]").addEventListener("change", (event) => {
      const day = days[event.target.value];
      if (day) show(day[1], day[2]);
      else show(begin, end);
    });
    place.querySelector(".strip-tools").hidden = false;
    place.querySelector(".strip-minute").hidden = false;
    window.addEventListener("resize", rule);
  }
  function buttonsOfPeriods() {
    const body = document.querySelectorAll("#periods tbody tr"), head = document.querySelector("#periods thead tr");
    if (!data.periods.length || body.length !== data.periods.length) return;
    const heading = document.createElement("th");
    heading.scope = "col";
    heading.textContent = "on the strip";
    heading.className = "screen";
    head.append(heading);
    body.forEach((row, n) => {
      const [from, to] = data.periods[n], cell = document.createElement("td"), button = document.createElement("button");
      const margin = Math.max((to - from) * 0.5, 30 * MINUTE);
      button.type = "button";
      button.textContent = "Show";
      button.setAttribute("aria-label", `Show on the strip: ${row.cells[0].textContent}, ${row.cells[1].textContent}`);
      button.addEventListener("click", () => {
        show(from - margin, to + margin);
        tell(nearest(from));
        place.scrollIntoView({ block: "start" });
        slider.focus({ preventScroll: true });
      });
      cell.className = "screen";
      cell.append(button);
      row.append(cell);
    });
  }
  async function start() {
    if (view) return;
    view = window.drainledger.views[NAME];
    if (!view) return;
    const coarse = levels[levels.length - 1];
    view.data("whole", rows(coarse, "leak", 0, coarse.at.length));
    view.signal("days", ticks(begin, end, 10));
    listen();
    buttonsOfPeriods();
    await show(begin, end);
    tell(0);
    place.dataset.ready = performance.now().toFixed(0);
    document.documentElement.dataset.strip = "ready";
  }
  if (document.documentElement.dataset.drawn === "all") start();
  else document.addEventListener("drawn", start);
})();
