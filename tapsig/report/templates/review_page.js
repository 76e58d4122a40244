// The page: state, what can be done, by which key, and saving.

(() => {
  const byId = (id) => document.getElementById(id);
  const make = (tag, ...content) => { const made = document.createElement(tag); made.append(...content); return made; };
  const data = JSON.parse(byId("page-data").textContent);
  const samples = decodeSamples(byId("page-samples").textContent);
  byId("page-samples").remove();
  const recording = {
    samples, fs: data.fs, volts_per_step: data.volts_per_step, targets: data.targets_s,
    heights: new Heights(samples), envelope: computeEnvelope(samples, data.fs),
    clock: new Clock(data.fs, samples.length, data.gaps),
  };
  const { clock, fs } = recording;
  const marks = new Marks(data.marks.map((mark, i) => ({ id: i, ...mark })), data.doubtful_below);
  const views = new Views(recording, marks);
  const state = { cursor: 0, stretch: 1, playing: null };
  const view = { first: 0, last: 0 };
  const MOST_VIEW_S = 30, LEAST_VIEW_S = 0.02, SNAP_S = 0.04;

  // ------------------------------------------------------------ moving about
  function show(middle, span = view.last - view.first) {
    const wide = Math.min(Math.max(span, LEAST_VIEW_S * fs), MOST_VIEW_S * fs, Math.max(samples.length, 16));
    const first = Math.min(Math.max(middle - wide / 2, 0), Math.max(samples.length - wide, 0));
    view.first = first; view.last = first + wide;
    const index = marks.chosen ? clock.indexOf(marks.chosen.onset_s) : first;
    if (index < view.first || index > view.last) marks.choose(null); // never change what is out of sight
    draw();
  }
  function setCursor(index) {
    state.cursor = Math.min(Math.max(index, 0), Math.max(samples.length - 1, 0));
    if (state.cursor < view.first || state.cursor > view.last) show(state.cursor);
    else draw();
  }
  function zoom(factor, around = null) {
    if (around === null) { show(state.cursor, (view.last - view.first) * factor); return; }
    const share = (around - view.first) / (view.last - view.first), span = (view.last - view.first) * factor;
    const kept = Math.min(Math.max(span, LEAST_VIEW_S * fs), MOST_VIEW_S * fs);
    show(around + (0.5 - Math.min(Math.max(share, 0), 1)) * kept, kept);
  }
  function pan(share) { show((view.first + view.last) / 2 + share * (view.last - view.first)); }
  function choose(mark) {
    if (!mark) return false;
    marks.choose(mark.id);
    const index = clock.indexOf(mark.onset_s), span = view.last - view.first;
    state.cursor = index;
    if (index < view.first + 0.1 * span || index > view.last - 0.1 * span) show(index);
    else draw();
    say(describe(mark));
    return true;
  }
  function stepDoubtful(step, from = null) {
    if (!choose(marks.step(marks.doubtful(), from ?? clock.timeOf(state.cursor), step))) {
      say("Nothing is doubtful any more. Save the labels.");
      draw();
    }
  }
  function stepMark(step) {
    if (!choose(marks.step(marks.list, clock.timeOf(state.cursor), step))) say("There are no marks yet.");
  }

  // ------------------------------------------------------------ changing marks
  function snap(time) {
    let best = null;
    for (const target of recording.targets) {
      if (Math.abs(target - time) <= SNAP_S && (best === null || Math.abs(target - time) < Math.abs(best - time))) best = target;
    }
    return best ?? clock.timeOf(findRise(samples, fs, clock.indexOf(time)));
  }
  function addAt(index, snapped) {
    const time = clock.timeOf(Math.min(Math.max(index, 0), samples.length - 1));
    const onset = roundTime(snapped ? snap(time) : time);
    const there = marks.list.find((mark) => Math.abs(mark.onset_s - onset) < 0.001);
    if (there) { choose(there); say(`There is a mark already: ${describe(there)}.`); return; }
    choose(marks.add(onset, TAP));
  }
  function moveTo(mark, time) {
    marks.alter(mark.id, { onset_s: roundTime(Math.min(Math.max(time, 0), clock.timeOf(samples.length))) });
    choose(marks.chosen);
  }
  // A decision on a doubtful mark leads to the next doubtful one: one key each.
  function decide(fields) {
    const mark = marks.chosen, wasDoubtful = marks.isDoubtful(mark);
    marks.alter(mark.id, fields);
    if (wasDoubtful && marks.doubtful().length) stepDoubtful(1, mark.onset_s);
    else { draw(); say(wasDoubtful ? "That was the last doubtful one. Save the labels." : describe(marks.chosen)); }
  }
  function removeChosen() {
    const mark = marks.chosen, wasDoubtful = marks.isDoubtful(mark);
    marks.remove(mark.id);
    if (wasDoubtful && marks.doubtful().length) stepDoubtful(1, mark.onset_s);
    else { draw(); say(`Deleted the mark at ${mark.onset_s.toFixed(3)} s.`); }
  }
  function turnBack(done, what) {
    if (!done) { say(`There is nothing to ${what}.`); return; }
    if (marks.chosen) choose(marks.chosen); else draw();
    say(`${what === "undo" ? "Undone" : "Done again"}; ${marks.past.length === 1 ? "1 change" : `${marks.past.length} changes`} can be undone.`);
  }
  function roundTime(time) { return Number(time.toFixed(6)); }

  // ------------------------------------------------------------ sound
  let audio = null, source = null;
  function play(speed) {
    if (stopSound()) return;
    const first = Math.max(0, Math.floor(view.first)), last = Math.min(samples.length, Math.ceil(view.last));
    if (last - first < 2) return;
    const every = Math.max(1, Math.ceil(8000 / fs)), [low, high] = recording.heights.between(first, last);
    audio ??= new AudioContext();
    const buffer = audio.createBuffer(1, (last - first) * every, Math.min(fs * every, 96000));
    const heard = buffer.getChannelData(0), scale = 0.8 / Math.max(1, -low, high);
    for (let i = 0; i < heard.length; i++) {
      const at = first + i / every, left = Math.floor(at), right = Math.min(left + 1, samples.length - 1);
      heard[i] = (samples[left] + (samples[right] - samples[left]) * (at - left)) * scale;
    }
    source = audio.createBufferSource();
    source.buffer = buffer; source.playbackRate.value = speed; source.connect(audio.destination);
    const mine = source, begun = audio.currentTime;
    source.onended = () => { if (source === mine) stopSound(); };
    source.start();
    audio.resume();
    const follow = () => {
      if (source !== mine) return;
      state.playing = Math.min(last, first + (audio.currentTime - begun) * speed * buffer.sampleRate / every);
      views.drawWave(view, state);
      requestAnimationFrame(follow);
    };
    follow();
  }
  function stopSound() {
    if (!source) return false;
    source.onended = null;
    try { source.stop(); } catch { /* it had ended */ }
    source = null; state.playing = null;
    draw();
    return true;
  }

  // ------------------------------------------------------------ files
  async function save() {
    const text = writeCsv(marks.list), list = marks.list, left = marks.doubtful().length;
    const twice = list.find((mark, i) => list.some((other, j) => j > i && other.kind === mark.kind
      && other.onset_s === mark.onset_s));
    if (twice) { choose(twice); say(`Not saved: two marks are the same, ${describe(twice)}; delete one.`, true); return; }
    const rest = left ? ` ${left} are still doubtful.` : "";
    if (data.save_url) {
      try {
        const answer = await fetch(data.save_url, { method: "POST", body: text, headers: { "Content-Type": "text/csv" } });
        const words = await answer.text();
        if (!answer.ok) throw new Error(words);
        say(words + rest);
      } catch (error) { say(`Not saved: ${error.message}. Is the command still running?`, true); return; }
    } else {
      const link = document.createElement("a");
      link.href = URL.createObjectURL(new Blob([text], { type: "text/csv" }));
      link.download = data.save_name;
      link.click();
      setTimeout(() => URL.revokeObjectURL(link.href), 10000);
      say(`Handed ${data.save_name} to the browser's downloads.${rest}`);
    }
    marks.saved = list;
    draw();
  }
  async function load(file) {
    try {
      marks.replaceAll(readCsv(await file.text(), clock.timeOf(samples.length)));
      draw();
      say(`Loaded ${marks.list.length} marks from ${file.name}; undo brings the former ones back.`);
    } catch (error) { say(`${file.name}: ${error.message}`, true); }
  }

  // ------------------------------------------------------------ what can be done: one table for buttons, keys and help
  const one = () => marks.chosen !== null;
  const millisecond = (sign) => () => moveTo(marks.chosen, marks.chosen.onset_s + sign * 0.001);
  const ACTIONS = [
    ["mark", "n", "Next doubtful", () => stepDoubtful(1)],
    ["mark", "b", "Doubtful before", () => stepDoubtful(-1)],
    ["mark", "Enter", "Right as it is", () => decide({}), one],
    ["mark", "t", "It is a tap", () => decide({ kind: TAP }), one],
    ["mark", "k", "It is something else: name it", () => { byId("kind").focus(); byId("kind").select(); }, one],
    ["mark", "d", "Not there: delete", removeChosen, one, "Delete"],
    ["mark", "s", "Snap to the onset", () => moveTo(marks.chosen, snap(marks.chosen.onset_s)), one],
    ["mark", "m", "Move it to the cursor", () => moveTo(marks.chosen, clock.timeOf(state.cursor)), one],
    ["mark", "[", "1 ms earlier", millisecond(-1), one],
    ["mark", "]", "1 ms later", millisecond(1), one],
    ["view", "a", "Add a tap at the cursor, snapped", () => addAt(state.cursor, true)],
    ["view", "A", "Add a tap just at the cursor", () => addAt(state.cursor, false)],
    ["view", ",", "Mark before", () => stepMark(-1)],
    ["view", ".", "Next mark", () => stepMark(1)],
    ["view", "p", "Hear the close-up, or stop", () => play(1)],
    ["view", "P", "Hear it at half speed", () => play(0.5)],
    ["view", "+", "Closer", () => zoom(0.5), null, "="],
    ["view", "-", "Wider", () => zoom(2)],
    ["view", "x", "Taller", () => { state.stretch *= 2; draw(); }],
    ["view", "z", "Flatter", () => { state.stretch = Math.max(1, state.stretch / 2); draw(); }],
    ["key", "ArrowLeft", "Cursor a fiftieth of the close-up back", () => setCursor(state.cursor - (view.last - view.first) / 50)],
    ["key", "ArrowRight", "Cursor a fiftieth on", () => setCursor(state.cursor + (view.last - view.first) / 50)],
    ["key", "PageUp", "Close-up back", () => { pan(-0.8); setCursor((view.first + view.last) / 2); }],
    ["key", "PageDown", "Close-up on", () => { pan(0.8); setCursor((view.first + view.last) / 2); }],
    ["key", "Home", "To the start", () => setCursor(0)],
    ["key", "End", "To the end", () => setCursor(samples.length - 1)],
    ["key", "f", "Choose the mark at the cursor", () => choose(views.markAt(view, views.xOf(view, state.cursor), 40))],
    ["file", "u", "Undo", () => turnBack(marks.undo(), "undo"), () => marks.past.length > 0],
    ["file", "r", "Redo", () => turnBack(marks.redo(), "redo"), () => marks.future.length > 0],
    ["file", "l", "Load labels", () => byId("file").click()],
    ["file", "c", "Light or dark", switchTheme],
    ["file", "w", "Save labels", save],
  ].map(([place, key, text, run, possible, also]) => ({ place, key, text, run, possible: possible ?? (() => true), also }));
  const KEY_NAMES = { ArrowLeft: "←", ArrowRight: "→", PageUp: "Page up", PageDown: "Page down" };

  function perform(action) { if (action.possible()) action.run(); else say(`${action.text}: choose a mark first (n, comma or full stop).`); }
  function keyLabel(action) {
    const name = (key) => KEY_NAMES[key] ?? (/^[A-Z]$/.test(key) ? `Shift ${key.toLowerCase()}` : key);
    return make("kbd", name(action.key) + (action.also ? ` or ${name(action.also)}` : ""));
  }
  function build() {
    for (const action of ACTIONS) {
      byId("keys").append(make("div", make("dt", keyLabel(action)), make("dd", action.text)));
      if (action.place === "key") continue;
      action.button = make("button", action.text, " ", keyLabel({ key: action.key }));
      action.button.type = "button"; action.button.dataset.key = action.key;
      action.button.addEventListener("click", () => perform(action));
      byId(`actions-${action.place}`).append(action.button);
    }
    for (const kind of data.kinds) byId("known-kinds").append(new Option("", kind));
  }
  function setKind() {
    const kind = byId("kind").value.trim();
    if (!one()) { say("Choose a mark first."); return; }
    if (!kind) { say("A kind is a word such as tap or rain.", true); return; }
    byId("kind").blur();
    decide({ kind });
  }
  document.addEventListener("keydown", (event) => {
    const inField = event.target.matches("input:not([type=checkbox])");
    if (inField && event.key === "Enter") { setKind(); event.preventDefault(); return; }
    if (inField && event.key === "Escape") { event.target.blur(); return; }
    if (inField || event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key === "Enter" && event.target.matches("button, input")) return;
    if (event.key.length === 1 && !byId("keys-on").checked) return;
    const action = ACTIONS.find((item) => item.key === event.key || item.also === event.key);
    if (!action) return;
    event.preventDefault();
    perform(action);
  });

  // ------------------------------------------------------------ mouse
  const where = (event) => event.clientX - event.currentTarget.getBoundingClientRect().left;
  let drag = null;
  for (const canvas of [byId("wave"), byId("tones")]) {
    canvas.addEventListener("pointerdown", (event) => {
      const x = where(event), mark = views.markAt(view, x);
      canvas.setPointerCapture(event.pointerId);
      drag = { x, mark, first: view.first, last: view.last, moved: false };
      if (mark) choose(mark); else setCursor(views.indexAt(view, x));
    });
    canvas.addEventListener("pointermove", (event) => {
      if (!drag) return;
      const x = where(event);
      if (!drag.moved && Math.abs(x - drag.x) < 4) return;
      drag.moved = true;
      if (drag.mark) { state.cursor = views.indexAt(view, x); draw(); }
      else show((drag.first + drag.last) / 2 - (views.indexAt(view, x) - views.indexAt(view, drag.x)));
    });
    canvas.addEventListener("pointerup", (event) => {
      if (drag?.moved && drag.mark) moveTo(drag.mark, clock.timeOf(views.indexAt(view, where(event))));
      drag = null;
    });
    canvas.addEventListener("pointercancel", () => { drag = null; draw(); }); // the page scrolls instead
    canvas.addEventListener("dblclick", (event) => {
      if (!views.markAt(view, where(event))) addAt(views.indexAt(view, where(event)), true);
    });
    canvas.addEventListener("wheel", (event) => {
      event.preventDefault();
      if (event.shiftKey) pan(Math.sign(event.deltaY || event.deltaX) * 0.15);
      else zoom(event.deltaY > 0 ? 1.25 : 0.8, views.indexAt(view, where(event)));
    }, { passive: false });
  }
  byId("lines").addEventListener("pointerdown", (event) => {
    const box = event.currentTarget.getBoundingClientRect();
    const index = views.lineIndexAt(event.clientX - box.left, event.clientY - box.top);
    marks.choose(null); state.cursor = Math.min(index, samples.length - 1); show(index);
  });

  // ------------------------------------------------------------ words
  function tellSure(mark) {
    return mark.confidence === null ? "decided" : `${Math.floor(mark.confidence * 100)} % sure of a tap`;
  }
  function describe(mark) {
    return `${mark.kind} at ${mark.onset_s.toFixed(4)} s, ${tellSure(mark)}`;
  }
  function say(text, bad = false) { byId("message").textContent = text; byId("message").classList.toggle("bad", bad); }
  function write() {
    const taps = marks.list.filter((mark) => mark.kind === TAP).length, left = marks.doubtful().length;
    byId("tally").textContent = `${taps} taps, ${marks.list.length - taps} others, ${left} doubtful`
      + `${marks.unsaved ? "; not saved yet" : ""}`;
    byId("range").textContent = formatRange(clock, view);
    const mark = marks.chosen;
    byId("current").replaceChildren(...(mark
      ? [make("strong", `${mark.onset_s.toFixed(4)} s`), ` ${mark.kind}; ${tellSure(mark)}; mark ${marks.list.indexOf(mark) + 1} of ${marks.list.length}`]
      : [`None chosen; the cursor is at ${clock.timeOf(state.cursor).toFixed(4)} s.`]));
    if (document.activeElement !== byId("kind")) byId("kind").value = mark?.kind ?? "";
    for (const action of ACTIONS) if (action.button) action.button.disabled = !action.possible();
    byId("kind-set").disabled = !mark;
    writeRows(mark);
  }
  function writeRows(chosen) {
    const time = clock.timeOf(state.cursor), list = marks.list;
    let at = chosen ? list.indexOf(chosen) : list.findIndex((mark) => mark.onset_s >= time);
    if (at < 0) at = list.length;
    const first = Math.max(0, Math.min(at - 4, list.length - 9));
    byId("rows").replaceChildren(...list.slice(first, first + 9).map((mark, i) => {
      const sure = tellSure(mark).replace(" sure of a tap", "");
      const row = make("tr", ...[first + i + 1, mark.onset_s.toFixed(4), mark.kind, sure].map((text) => make("td", text)));
      row.lastChild.classList.toggle("doubt", marks.isDoubtful(mark));
      if (mark === chosen) row.setAttribute("aria-current", "true");
      row.addEventListener("click", () => choose(mark));
      return row;
    }));
  }
  function switchTheme() {
    const root = document.documentElement;
    const dark = root.dataset.theme ? root.dataset.theme === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
    root.dataset.theme = dark ? "light" : "dark";
    views.recolour(); draw();
  }

  // ------------------------------------------------------------ drawing, at most once a frame
  let waiting = false;
  function draw() {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => {
      waiting = false;
      const begun = performance.now();
      views.drawLines(view); views.drawWave(view, state); views.drawTones(view); write();
      document.documentElement.dataset.drawMs = (performance.now() - begun).toFixed(1);
    });
  }

  build();
  byId("kind-set").addEventListener("click", setKind);
  byId("file").addEventListener("change", (event) => { if (event.target.files[0]) load(event.target.files[0]); event.target.value = ""; });
  window.addEventListener("resize", draw);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { views.recolour(); draw(); });
  window.addEventListener("beforeunload", (event) => { if (marks.unsaved) event.preventDefault(); });
  show(Math.min(2 * fs, samples.length / 2), 4 * fs);
  if (marks.doubtful().length) stepDoubtful(1, -1);
  else say("Nothing is doubtful.");
  document.documentElement.dataset.ready = "yes";
})();
