// The window beside the terminal: one take large, the roll below it. It holds no state of the
// work: what is shown comes from the program, and what is pressed is asked of it.

const $ = (id) => document.getElementById(id);
const LOOKS = { normal: "positive", soft: "positive, soft", hard: "positive, hard", negative: "as the sensor saw it" };
const MOST_PARTS = 240;
const AT_ONCE = 3;

let state = null;
let shown = null; // the take that is looked at; null follows the newest
let follows = true;
const sizes = new Map(); // of takes, in photosites
const view = { x: 0, y: 0, zoom: 0, mirror: true, turn: 0, fits: true };

// --- asking the program ----------------------------------------------------------------------

async function ask(path, options) {
  const answer = await fetch(path, options);
  if (answer.status === 204) return null;
  if (answer.ok) return answer;
  const told = await answer.json().catch(() => ({ error: "The program did not understand." }));
  throw new Error(told.error);
}

async function follow() {
  let known = "";
  for (;;) {
    try {
      const answer = await ask(`/state?known=${known}`);
      $("gone").hidden = true;
      if (answer) {
        state = await answer.json();
        known = state.version;
        await show();
      }
    } catch (error) {
      if (error instanceof TypeError) $("gone").hidden = false;
      else $("said").textContent = error.message;
      await new Promise((done) => setTimeout(done, 2000));
    }
  }
}

async function act(action, more = {}) {
  try {
    const answer = await ask("/do", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ action, ...more }),
    });
    $("said").textContent = (await answer.json()).said;
  } catch (error) {
    $("said").textContent = error.message;
  }
}

// --- the roll --------------------------------------------------------------------------------

const frames = () => state.frames.filter((frame) => frame.takes.length);
const takeOf = (id) => frames().flatMap((f) => f.takes.map((t) => ({ ...t, frame: f }))).find((t) => t.id === id);

async function show() {
  document.title = `${state.roll}: window`;
  $("roll").textContent = state.roll;
  $("film").textContent = state.film;
  $("progress").textContent = `${state.done} of ${state.of} frames done`;
  $("next").textContent = `Next: ${state.next}`;
  if (follows || !takeOf(shown)) shown = state.newest;
  if (!$("places").children.length) $("places").append(...Object.entries(state.places).map(placeButton));
  showSheet();
  await showProof();
  document.querySelector("main").hidden = shown === null;
  if (shown === null) return;
  showVerdict();
  await open(shown);
}

function showSheet() {
  const sheet = $("sheet");
  const old = new Map([...sheet.children].map((item) => [item.dataset.key, item]));
  const items = [];
  let strip = 0;
  for (const frame of state.frames) {
    if (frame.strip !== strip) {
      strip = frame.strip;
      const head = old.get(`s${strip}`) ?? Object.assign(document.createElement("li"), { className: "strip" });
      head.dataset.key = `s${strip}`;
      head.textContent = `Strip ${strip}`;
      items.push(head);
    }
    items.push(frameItem(frame, old.get(`f${frame.number}`)));
  }
  sheet.replaceChildren(...items);
}

function frameItem(frame, old) {
  const chosen = frame.takes.find((t) => t.decision === "kept") ?? frame.takes.at(-1);
  const item = old ?? document.createElement("li");
  item.dataset.key = `f${frame.number}`;
  const words = `${frame.number} ${frame.mark} ${frame.word}${frame.takes.length > 1 ? `, ${frame.takes.length} takes` : ""}`;
  const current = frame.takes.some((t) => t.id === shown);
  const key = `${chosen?.id}|${words}|${current}`;
  if (item.dataset.drawn === key) return item;
  item.dataset.drawn = key;
  const button = document.createElement("button");
  button.dataset.frame = frame.number;
  if (current) button.setAttribute("aria-current", "true");
  if (chosen) {
    const kept = item.querySelector("img");
    const picture = kept?.dataset.take === String(chosen.id) ? kept : document.createElement("img");
    picture.loading = "lazy";
    picture.alt = "";
    if (picture !== kept) picture.src = `/take/${chosen.id}/small`;
    picture.dataset.take = chosen.id;
    button.append(picture);
  } else {
    button.append(Object.assign(document.createElement("span"), { className: "empty" }));
  }
  button.append(words);
  button.addEventListener("click", () => (chosen ? lookAt(chosen.id) : act("go", { frame: frame.number })));
  item.replaceChildren(button);
  return item;
}

// --- the proof -------------------------------------------------------------------------------

async function showProof() {
  const proof = await (await ask("/proof")).json();
  $("proof").hidden = !proof.frames.length;
  const list = $("proof-frames");
  if (list.children.length !== proof.frames.length) list.replaceChildren(...proof.frames.map(proofItem));
  proof.frames.forEach((number, index) => {
    const button = list.children[index].firstChild;
    const word = proof.circled[number];
    button.setAttribute("aria-pressed", String(word !== undefined));
    button.lastChild.textContent = word === undefined ? `${number}` : `${number} ○ circled ${word}`;
  });
}

function proofItem(number) {
  const item = document.createElement("li");
  const button = document.createElement("button");
  const picture = Object.assign(document.createElement("img"), { loading: "lazy", alt: "" });
  picture.src = `/proof/${number}`;
  button.append(picture, document.createTextNode(`${number}`));
  button.addEventListener("click", async () => {
    const circled = button.getAttribute("aria-pressed") === "true";
    await act("circle", { frame: number, word: circled ? null : $("word").value });
    await showProof();
  });
  item.append(button);
  return item;
}

function lookAt(id) {
  shown = id;
  follows = id === state.newest;
  showSheet();
  showVerdict();
  open(id);
}

function showVerdict() {
  const take = takeOf(shown);
  $("take").textContent = `Frame ${take.frame.number}, take ${take.take}: ${take.mark} ${take.word}`;
  $("decision").textContent = take.decision;
  $("findings").replaceChildren(
    ...take.findings.map(({ text, action }) => {
      const item = document.createElement("li");
      item.append(Object.assign(document.createElement("strong"), { textContent: text }), action);
      return item;
    }),
  );
  $("keep").disabled = take.decision === "kept";
  $("reshoot").disabled = state.waiting !== take.id;
  $("undo").disabled = !state.can_undo;
  const atWork = state.at === take.frame.number;
  $("go").disabled = atWork;
  $("blank").disabled = $("skip").disabled = !atWork;
  if (document.activeElement !== $("note")) $("note").value = take.frame.note;
  const beside = $("beside");
  const others = take.frame.takes.filter((t) => t.id !== take.id);
  const wanted = others.some((t) => String(t.id) === beside.value) ? beside.value : "";
  beside.replaceChildren(new Option("nothing", ""), ...others.map((t) => new Option(`take ${t.take}`, t.id)));
  beside.value = wanted;
  beside.disabled = !others.length;
}

// --- parts of a take -------------------------------------------------------------------------

const parts = new Map(); // key -> ImageBitmap; the oldest first
const wanted = new Map(); // key -> path, in the order of need
let under = 0;

function part(key) {
  const found = parts.get(key);
  if (found) {
    parts.delete(key);
    parts.set(key, found);
  }
  return found;
}

function fetchNext() {
  while (under < AT_ONCE && wanted.size) {
    const [key] = wanted.keys();
    wanted.delete(key);
    if (parts.has(key)) continue;
    under += 1;
    ask(`/take/${key}`)
      .then((answer) => answer.blob())
      .then((blob) => createImageBitmap(blob))
      .then((bitmap) => {
        parts.set(key, bitmap);
        while (parts.size > MOST_PARTS) {
          const [oldest] = parts.keys();
          parts.get(oldest).close();
          parts.delete(oldest);
        }
        draw();
      })
      .catch((error) => ($("said").textContent = error.message))
      .finally(() => {
        under -= 1;
        fetchNext();
      });
  }
}

// --- panes -----------------------------------------------------------------------------------

class Pane {
  constructor() {
    this.element = Object.assign(document.createElement("div"), { className: "pane" });
    this.canvas = document.createElement("canvas");
    this.canvas.tabIndex = 0;
    this.canvas.setAttribute("role", "img");
    this.caption = document.createElement("p");
    this.element.append(this.canvas, this.caption);
    new ResizeObserver(() => (view.fits ? fit() : draw())).observe(this.canvas);
    hold(this.canvas);
  }

  show(id) {
    this.id = id;
    const take = takeOf(id);
    this.caption.textContent = `Frame ${take.frame.number}, take ${take.take}`;
    this.canvas.setAttribute("aria-label", `${this.caption.textContent}, ${LOOKS[$("look").value]}`);
  }

  draw() {
    const { canvas, id } = this;
    const size = sizes.get(id);
    if (!size || !view.zoom) return;
    const dense = devicePixelRatio || 1;
    canvas.width = Math.round(canvas.clientWidth * dense);
    canvas.height = Math.round(canvas.clientHeight * dense);
    const to = canvas.getContext("2d");
    place(to, canvas, dense);
    to.imageSmoothingEnabled = view.zoom * dense < 1;
    const finest = stepFor(view.zoom * dense);
    const seen = this.inSight(size);
    // What is there already in coarser parts stands in until the fine ones come.
    for (let step = state.largest_step; step >= finest; step /= 2) this.layer(to, size, seen, step, finest);
    if (pressed("boxes")) this.boxes(to, id, size);
  }

  inSight(size) {
    const { clientWidth: w, clientHeight: h } = this.canvas;
    const turned = view.turn % 180 !== 0;
    const [x, y] = [(turned ? h : w) / 2 / view.zoom, (turned ? w : h) / 2 / view.zoom];
    return {
      left: Math.max(0, view.x - x), right: Math.min(size.width, view.x + x),
      top: Math.max(0, view.y - y), bottom: Math.min(size.height, view.y + y),
    };
  }

  layer(to, size, seen, step, finest) {
    const side = state.tile * step;
    const columns = Math.ceil(Math.floor(size.width / step) / state.tile);
    const rows = Math.ceil(Math.floor(size.height / step) / state.tile);
    for (let row = Math.floor(seen.top / side); row < rows && row * side < seen.bottom; row += 1)
      for (let column = Math.floor(seen.left / side); column < columns && column * side < seen.right; column += 1)
        for (const look of pressed("marks") ? [$("look").value, "marks"] : [$("look").value]) {
          const key = `${this.id}/${look}/${step}/${column}/${row}`;
          const bitmap = part(key);
          if (bitmap) to.drawImage(bitmap, column * side, row * side, bitmap.width * step, bitmap.height * step);
          else if (step === finest) wanted.set(key, true);
        }
  }

  boxes(to, id, size) {
    const outline = takeOf(id).outline;
    const left = outline ? Math.min(outline[0][0], outline[3][0]) : 0;
    const right = outline ? Math.max(outline[1][0], outline[2][0]) : size.width;
    const top = outline ? Math.min(outline[0][1], outline[1][1]) : 0;
    const bottom = outline ? Math.max(outline[2][1], outline[3][1]) : size.height;
    to.lineWidth = 2 / view.zoom;
    for (const [x, y] of Object.values(state.places)) {
      const [w, h] = [(right - left) / 5, (bottom - top) / 5];
      const [a, b] = [left + x * (right - left) - w / 2, top + y * (bottom - top) - h / 2];
      to.strokeStyle = "#000";
      to.strokeRect(a - to.lineWidth, b - to.lineWidth, w + 2 * to.lineWidth, h + 2 * to.lineWidth);
      to.strokeStyle = "#fff";
      to.strokeRect(a, b, w, h);
    }
  }
}

const stepFor = (zoom) => Math.min(state.largest_step, Math.max(1, 2 ** Math.floor(Math.log2(1 / zoom) + 1e-6)));
const pressed = (id) => $(id).getAttribute("aria-pressed") === "true";

function place(to, canvas, dense) {
  to.setTransform(dense, 0, 0, dense, 0, 0);
  to.translate(canvas.clientWidth / 2, canvas.clientHeight / 2);
  to.rotate((view.turn * Math.PI) / 180);
  to.scale(view.mirror ? -view.zoom : view.zoom, view.zoom);
  to.translate(-view.x, -view.y);
}

// From a move on the screen to one in the raw file.
function unturned(dx, dy) {
  const turn = (-view.turn * Math.PI) / 180;
  const x = dx * Math.cos(turn) - dy * Math.sin(turn);
  const y = dx * Math.sin(turn) + dy * Math.cos(turn);
  return [(view.mirror ? -x : x) / view.zoom, y / view.zoom];
}

const panes = [];

async function open(id) {
  const ids = [id, ...($("beside").value ? [Number($("beside").value)] : [])];
  while (panes.length < ids.length) panes.push(new Pane());
  panes.length = ids.length;
  $("panes").replaceChildren(...panes.map((pane) => pane.element));
  try {
    for (const each of ids) if (!sizes.has(each)) sizes.set(each, await (await ask(`/take/${each}`)).json());
  } catch (error) {
    $("said").textContent = error.message;
    return;
  }
  if (shown !== id) return; // another one was picked meanwhile
  ids.forEach((each, index) => panes[index].show(each));
  if (view.fits) fit();
  else draw();
}

function fit() {
  const size = panes.length && sizes.get(panes[0].id);
  if (!size) return;
  const { clientWidth: w, clientHeight: h } = panes[0].canvas;
  const turned = view.turn % 180 !== 0;
  view.zoom = Math.min(w / (turned ? size.height : size.width), h / (turned ? size.width : size.height));
  [view.x, view.y, view.fits] = [size.width / 2, size.height / 2, true];
  draw();
}

function zoomTo(zoom, dx = 0, dy = 0) {
  const [x, y] = unturned(dx, dy);
  const old = view.zoom;
  view.zoom = Math.min(8, Math.max(0.01, zoom));
  const kept = old / view.zoom;
  view.x += x * (1 - kept);
  view.y += y * (1 - kept);
  view.fits = false;
  draw();
}

function move(dx, dy) {
  const [x, y] = unturned(dx, dy);
  const size = sizes.get(panes[0]?.id);
  if (!size) return;
  view.x = Math.min(size.width, Math.max(0, view.x - x));
  view.y = Math.min(size.height, Math.max(0, view.y - y));
  view.fits = false;
  draw();
}

let drawing = false;
function draw() {
  if (drawing) return;
  drawing = true;
  requestAnimationFrame(() => {
    drawing = false;
    wanted.clear();
    panes.forEach((pane) => pane.draw());
    $("size").textContent = view.zoom ? `${Math.round(100 * view.zoom * (devicePixelRatio || 1))} %` : "";
    fetchNext();
  });
}

function lookAtPlace(x, y) {
  const pane = panes[0];
  const size = pane && sizes.get(pane.id);
  if (!size) return;
  const outline = takeOf(pane.id).outline ?? [[0, 0], [size.width, 0], [size.width, size.height], [0, size.height]];
  const across = view.mirror ? 1 - x : x; // places are those of the positive
  view.x = outline[0][0] + across * (outline[1][0] - outline[0][0]);
  view.y = outline[0][1] + y * (outline[3][1] - outline[0][1]);
  zoomTo(1 / (devicePixelRatio || 1));
}

function placeButton([name, at]) {
  const button = document.createElement("button");
  button.textContent = name[0].toUpperCase() + name.slice(1);
  button.addEventListener("click", () => lookAtPlace(...at));
  return button;
}

// Mouse, pen and fingers: one moves, two change the size.
function hold(canvas) {
  const at = new Map();
  const spread = () => {
    const [a, b] = [...at.values()];
    return Math.hypot(a.x - b.x, a.y - b.y);
  };
  canvas.addEventListener("pointerdown", (event) => {
    canvas.setPointerCapture(event.pointerId);
    at.set(event.pointerId, { x: event.clientX, y: event.clientY });
  });
  canvas.addEventListener("pointermove", (event) => {
    const before = at.get(event.pointerId);
    if (!before) return;
    const apart = at.size === 2 ? spread() : 0;
    at.set(event.pointerId, { x: event.clientX, y: event.clientY });
    if (at.size === 1) move(event.clientX - before.x, event.clientY - before.y);
    else if (at.size === 2 && apart) zoomTo((view.zoom * spread()) / apart);
  });
  for (const end of ["pointerup", "pointercancel"]) canvas.addEventListener(end, (event) => at.delete(event.pointerId));
  canvas.addEventListener("wheel", (event) => {
    event.preventDefault();
    const box = canvas.getBoundingClientRect();
    const [dx, dy] = [event.clientX - box.left - box.width / 2, event.clientY - box.top - box.height / 2];
    zoomTo(view.zoom * 1.0015 ** -event.deltaY, dx, dy);
  }, { passive: false });
}

// --- live picture ----------------------------------------------------------------------------

async function followLive() {
  let known = "0";
  for (;;) {
    try {
      const answer = await ask(`/live?known=${known}`);
      $("live").hidden = !answer;
      if (answer) {
        known = answer.headers.get("X-Number");
        await drawLive(await createImageBitmap(await answer.blob()));
      }
    } catch {
      await new Promise((done) => setTimeout(done, 2000));
    }
  }
}

// A positive the right way round. What differs from its neighbours by much is marked, which is
// where the grain is sharp (the gradient of J. F. Brenner, 1976, per pixel).
function drawLive(bitmap) {
  const canvas = $("live-picture");
  const { width, height } = bitmap;
  Object.assign(canvas, { width, height });
  const to = canvas.getContext("2d", { willReadFrequently: true });
  to.scale(-1, 1);
  if (state?.negative) to.filter = "invert(1)";
  to.drawImage(bitmap, -width, 0);
  bitmap.close();
  if (!$("peaking").checked) return;
  const picture = to.getImageData(0, 0, width, height);
  const data = picture.data;
  const steep = new Float32Array(width * height);
  for (let y = 0; y < height - 2; y += 1)
    for (let x = 0; x < width - 2; x += 1) {
      const i = y * width + x;
      const own = data[4 * i + 1];
      steep[i] = (data[4 * (i + 2) + 1] - own) ** 2 + (data[4 * (i + 2 * width) + 1] - own) ** 2;
    }
  const some = steep.filter((_, i) => i % 37 === 0).sort();
  const from = some[Math.floor(0.98 * some.length)];
  for (let i = 0; i < steep.length; i += 1)
    if (from && steep[i] > from) [data[4 * i], data[4 * i + 1], data[4 * i + 2]] = [255, 60, 200];
  to.putImageData(picture, 0, 0);
}

// --- controls --------------------------------------------------------------------------------

function step(by) {
  const all = frames();
  const at = all.findIndex((frame) => frame.takes.some((take) => take.id === shown));
  const next = all[Math.min(all.length - 1, Math.max(0, at + by))];
  if (next) lookAt((next.takes.find((take) => take.decision === "kept") ?? next.takes.at(-1)).id);
}

const toggles = {
  mirror: () => { view.mirror = pressed("mirror"); draw(); },
  marks: () => { $("legend").hidden = !pressed("marks"); draw(); },
  boxes: draw,
};
for (const [id, then] of Object.entries(toggles))
  $(id).addEventListener("click", () => {
    $(id).setAttribute("aria-pressed", String(!pressed(id)));
    then();
  });

const frameShown = () => takeOf(shown)?.frame.number;
const pressing = {
  fit, full: () => zoomTo(1 / (devicePixelRatio || 1)), in: () => zoomTo(view.zoom * 1.5), out: () => zoomTo(view.zoom / 1.5),
  turn: () => { view.turn = (view.turn + 90) % 360; if (view.fits) fit(); else draw(); },
  keep: () => act("keep", { take: shown }),
  reshoot: () => act("reshoot", { take: shown }),
  undo: () => act("undo"),
  go: () => act("go", { frame: frameShown() }),
  blank: () => act("mark", { frame: frameShown(), state: "blank" }),
  skip: () => act("mark", { frame: frameShown(), state: "skipped" }),
};
for (const [id, then] of Object.entries(pressing)) $(id).addEventListener("click", then);

$("note-form").addEventListener("submit", (event) => {
  event.preventDefault();
  act("note", { frame: frameShown(), text: $("note").value });
});
for (const [value, words] of Object.entries(LOOKS)) $("look").append(new Option(words, value));
$("look").addEventListener("change", () => { panes.forEach((pane) => pane.show(pane.id)); draw(); });
$("beside").addEventListener("change", () => open(shown));

const keys = {
  ArrowLeft: () => move(80, 0), ArrowRight: () => move(-80, 0), ArrowUp: () => move(0, 80), ArrowDown: () => move(0, -80),
  "+": pressing.in, "=": pressing.in, "-": pressing.out, f: fit, 1: pressing.full,
  PageUp: () => step(-1), PageDown: () => step(1), n: () => state?.newest != null && lookAt(state.newest),
};
document.addEventListener("keydown", (event) => {
  const then = keys[event.key];
  const writing = /^(INPUT|SELECT|TEXTAREA)$/.test(event.target.tagName);
  if (!then || writing || event.ctrlKey || event.altKey || event.metaKey) return;
  event.preventDefault();
  then();
});

follow();
followLive();
