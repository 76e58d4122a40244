// What is said about the recording: marks, their history, and the label file.

const TAP = "tap";

class Marks {
  constructor(list, limit) {
    this.limit = limit;
    this.now = { list: this.sorted(list), chosen: null };
    this.past = []; this.future = [];
    this.saved = this.now.list;
    this.next = 1 + list.reduce((most, mark) => Math.max(most, mark.id), 0);
  }
  sorted(list) { return [...list].sort((a, b) => a.onset_s - b.onset_s || a.id - b.id); }
  get list() { return this.now.list; }
  get chosen() { return this.list.find((mark) => mark.id === this.now.chosen) ?? null; }
  get unsaved() { return this.list !== this.saved; }
  isDoubtful(mark) { return mark.confidence !== null && mark.confidence < this.limit; }
  doubtful() { return this.list.filter((mark) => this.isDoubtful(mark)); }
  choose(id) { this.now = { list: this.list, chosen: id }; }
  // Every change makes a new list; the old one is what undo brings back.
  change(list, chosen) {
    this.past.push(this.now); this.future = [];
    this.now = { list: this.sorted(list), chosen };
  }
  add(onset_s, kind) {
    const mark = { id: this.next++, onset_s, kind, confidence: null };
    this.change([...this.list, mark], mark.id);
    return mark;
  }
  alter(id, fields) {
    this.change(this.list.map((mark) => (mark.id === id ? { ...mark, confidence: null, ...fields } : mark)), id);
  }
  remove(id) { this.change(this.list.filter((mark) => mark.id !== id), null); }
  replaceAll(list) {
    this.change(list.map((mark) => ({ ...mark, id: this.next++ })), null);
  }
  undo() { return this.turn(this.past, this.future); }
  redo() { return this.turn(this.future, this.past); }
  turn(from, to) {
    if (!from.length) return false;
    to.push(this.now); this.now = from.pop();
    return true;
  }
  // The next of `some` after (or, with step −1, before) a time; it goes round at the ends.
  step(some, time, step) {
    if (!some.length) return null;
    const at = step > 0 ? some.find((mark) => mark.onset_s > time + 1e-7)
      : some.filter((mark) => mark.onset_s < time - 1e-7).at(-1);
    return at ?? (step > 0 ? some[0] : some.at(-1));
  }
}

function quoteCell(text) { return /[",\r\n]/.test(text) ? '"' + text.replaceAll('"', '""') + '"' : text; }

// onset_s,kind; a third column keeps the confidence while some marks are still undecided.
function writeCsv(list) {
  const open = list.some((mark) => mark.confidence !== null);
  const rows = list.map((mark) => {
    const cells = [String(Number(mark.onset_s.toFixed(6))), quoteCell(mark.kind)];
    if (open) cells.push(mark.confidence === null ? "" : String(mark.confidence));
    return cells.join(",");
  });
  return ["onset_s,kind" + (open ? ",confidence" : ""), ...rows].join("\n") + "\n";
}

// Cells of comma-separated text (RFC 4180); semicolons where the first line has them.
function readCells(text) {
  const comma = text.slice(0, text.indexOf("\n")).includes(";") ? ";" : ",";
  const rows = [[""]];
  let quoted = false;
  for (let i = 0; i < text.length; i++) {
    const sign = text[i], row = rows.at(-1);
    if (quoted) {
      if (sign !== '"') row[row.length - 1] += sign;
      else if (text[i + 1] === '"') { row[row.length - 1] += '"'; i++; }
      else quoted = false;
    } else if (sign === '"') quoted = true;
    else if (sign === comma) row.push("");
    else if (sign === "\n") rows.push([""]);
    else if (sign !== "\r") row[row.length - 1] += sign;
  }
  return rows.filter((row) => (row.length > 1 || row[0].trim() !== "") && !row[0].trimStart().startsWith("#"));
}

// Marks of a label file; throws an Error that names the line.
function readCsv(text, end_s) {
  const rows = readCells(text.replace(/^\uFEFF/, ""));
  const head = (rows.shift() ?? []).map((cell) => cell.trim().toLowerCase());
  const column = (name) => head.indexOf(name);
  if (column("onset_s") < 0) throw new Error("line 1: there is no column onset_s");
  return rows.map((row, i) => {
    const cell = (row[column("onset_s")] ?? "").trim(), onset_s = Number(cell.replace(",", "."));
    if (cell === "" || !(onset_s >= 0 && onset_s <= end_s)) {
      throw new Error(`line ${i + 2}: onset_s is ${cell}; the recording ends at ${end_s.toFixed(3)} s`);
    }
    const kind = (row[column("kind")] ?? "").trim() || TAP;
    const sure = (row[column("confidence")] ?? "").trim();
    return { id: i, onset_s, kind, confidence: sure === "" ? null : Number(sure) };
  });
}
