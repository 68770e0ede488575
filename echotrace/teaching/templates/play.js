const pack = JSON.parse(document.getElementById("pack").textContent);
const by = id => document.getElementById(id);
const slider = Object.fromEntries(pack.sliders.map(s => [s.name, s]));
const at = Object.fromEntries(pack.sliders.map(s => [s.name, s.neutral]));
let active = "probe";

for (const group of Object.values(pack.groups)) {
  group.level = bytesOf(group.level);
  group.accepted = bytesOf(group.accepted);
  group.findings = new BigUint64Array(bytesOf(group.findings).buffer);
  for (const key of ["picks", "truth", "ray"])
    group[key] = new Float32Array(bytesOf(group[key]).buffer);
  for (const key of ["length_mm", "error_mm"])
    group[key] = new Float64Array(bytesOf(group[key]).buffer);
}
const lengthWords = mm => Number.isNaN(mm) ? "no length" : `${mm.toFixed(2)} mm`;
function errorWords(mm) {
  if (Number.isNaN(mm)) return "no length to compare";
  if (Math.abs(mm) < 0.005) return "right to 0.01 mm";
  return `${Math.abs(mm).toFixed(2)} mm too ${mm > 0 ? "long" : "short"}`;
}
function indexOf(name, values) {
  return pack.groups[name].axes.reduce((k, axis) => k * slider[axis].words.length + values[axis], 0);
}
function stateOf(name, k) {
  const g = pack.groups[name], m = g.names.length, picks = [], truth = [];
  for (let j = 0; j < m; j++) {
    const p = g.picks[k * m + j], t = g.truth[k * m + j];
    if (!Number.isNaN(p)) picks.push([g.names[j], p]);
    if (!Number.isNaN(t)) truth.push(t);
  }
  const ray = [];
  for (let j = 0; j < 6; j++) {
    const r = Array.from(g.ray.subarray((k * 6 + j) * 4, (k * 6 + j) * 4 + 4));
    if (!Number.isNaN(r[0])) ray.push(r);
  }
  const said = pack.findings.filter((f, bit) => !f.note && (g.findings[k] >> BigInt(bit) & 1n));
  return {level: g.level.subarray(k * g.points, (k + 1) * g.points), stepUs: g.step_us,
    lastUs: g.last_us, picks, truth, ray, said, length: g.length_mm[k], error: g.error_mm[k],
    accepted: g.accepted[k] === 1, method: g.method};
}
function verdict(where, state) {
  const parts = [[lengthWords(state.length), "big"], [errorWords(state.error), ""],
    [`the chain: ${state.accepted ? "accepted" : "rejected"}`, state.accepted ? "good" : "warn"]];
  by(`${where}-line`).replaceChildren(...parts.map(([text, kind]) => {
    const e = document.createElement("span");
    e.textContent = text;
    e.className = kind;
    return e;
  }));
  const svg = by(`${where}-trace`);
  drawTrace(svg, state);
  svg.setAttribute("aria-label", `Trace by ${state.method}. Picks: ` +
    state.picks.map(([name, us]) => `${name} at ${us.toFixed(2)} µs`).join(", "));
}
function arc(surface, half) {
  const [, vertex, radius] = surface;
  const h = Math.min(half, Math.abs(radius) * 0.999);
  const sag = radius - Math.sign(radius) * Math.sqrt(radius * radius - h * h);
  return {z: vertex + sag, h, radius: Math.abs(radius), sweep: radius > 0 ? 0 : 1};
}
function section(state) {
  const svg = by("section"), eye = pack.eyes[pack.sliders.find(s => s.name === "lens").stops[at.lens]];
  const left = state.method === "contact" ? -6 : -14;
  svg.setAttribute("viewBox", `${left} -12.6 ${40 - left} 25.2`);
  svg.replaceChildren();
  const add = (name, attributes, text) => svg.appendChild(element(name, attributes, text));
  const named = Object.fromEntries(eye.map(s => [s[0], s]));
  const curve = (s, half) => { const a = arc(s, half);
    return `M${a.z} ${-a.h}A${a.radius} ${a.radius} 0 0 ${a.sweep} ${a.z} ${a.h}`; };
  add("line", {x1: left, x2: 26, y1: 0, y2: 0, class: "axis"});
  const retina = named.retina, r = Math.abs(retina[2]);
  const centre = retina[1] + retina[2];
  const a = arc(named.cornea_front, 5.6);
  const zEdge = a.z + 1.8, edge = Math.sqrt(r * r - (zEdge - centre) ** 2);
  add("path", {d: `M${a.z} ${-a.h}L${zEdge} ${-edge}A${r} ${r} 0 1 1 ${zEdge} ${edge}L${a.z} ${a.h}`,
    class: "wall"});
  for (const name of ["cornea_front", "cornea_back"]) add("path", {d: curve(named[name], 5.6), class: "wall"});
  if (named.lens_front) {
    const f = arc(named.lens_front, 4), b = arc(named.lens_back, 4);
    add("path", {d: `M${f.z} -4A${f.radius} ${f.radius} 0 0 ${f.sweep} ${f.z} 4L${b.z} 4` +
      `A${b.radius} ${b.radius} 0 0 ${1 - b.sweep} ${b.z} -4Z`, class: "lens"});
  }
  const ray = state.ray;
  // Seen from above: the nose is up on the picture.
  const upper = ray.map(p => `${p[2]} ${-(p[0] + p[3])}`), lower = ray.map(p => `${p[2]} ${-(p[0] - p[3])}`);
  add("path", {d: `M${upper.join("L")}L${lower.reverse().join("L")}Z`, class: "beam"});
  add("path", {d: `M${ray.map(p => `${p[2]} ${-p[0]}`).join("L")}`, class: "ray"});
  const d = ray[0], e = ray[1], run = Math.hypot(e[2] - d[2], e[0] - d[0]) || 1;
  const tx = (e[0] - d[0]) / run, tz = (e[2] - d[2]) / run;
  add("line", {x1: d[2] + tx * d[3], x2: d[2] - tx * d[3], y1: -(d[0] - tz * d[3]), y2: -(d[0] + tz * d[3]),
    class: "disc"});
  add("text", {x: left + 0.3, y: 10.6}, "from above, to");
  add("text", {x: left + 0.3, y: 12.1}, "scale; nose up");
  // Seen along the axis: where the beam enters the cornea, and where it falls on the retina.
  const cx = 33, cy = 0;
  add("circle", {cx, cy, r: 5.6, class: "wall"});
  add("line", {x1: cx - 6, x2: cx + 6, y1: cy, y2: cy, class: "axis"});
  add("line", {x1: cx, x2: cx, y1: cy - 6, y2: cy + 6, class: "axis"});
  const last = ray[ray.length - 1];
  add("circle", {cx: cx + e[0], cy: cy - e[1], r: 0.45, class: "dot"});
  add("rect", {x: cx + last[0] - 0.4, y: cy - last[1] - 0.4, width: 0.8, height: 0.8, class: "truth",
    fill: "currentColor"});
  add("text", {x: cx, y: -8.6, "text-anchor": "middle"}, "from the probe;");
  add("text", {x: cx, y: -7, "text-anchor": "middle"}, "nose to the right");
  add("text", {x: cx, y: 8, "text-anchor": "middle"}, "● at the cornea");
  add("text", {x: cx, y: 9.8, "text-anchor": "middle"}, "■ on the retina");
  svg.setAttribute("aria-label", `Beam: at the cornea ${e[0].toFixed(1)} mm to the nose and ` +
    `${e[1].toFixed(1)} mm up, on the retina ${last[0].toFixed(1)} and ${last[1].toFixed(1)} mm.`);
}
function show() {
  const started = performance.now();
  for (const s of pack.sliders) {
    by(`${s.name}-is`).textContent = s.words[at[s.name]];
    by(s.name).setAttribute("aria-valuetext", s.words[at[s.name]]);
    by(s.name).value = at[s.name];
  }
  by("touching").checked = active === "contact";
  const state = stateOf(active, indexOf(active, at));
  const neutral = Object.fromEntries(pack.sliders.map(s => [s.name, s.neutral]));
  if (active === "eye") neutral.lens = at.lens;
  verdict("yours", state);
  verdict("good", stateOf(active, indexOf(active, neutral)));
  by("yours-said").replaceChildren(...state.said.map(f => {
    const li = document.createElement("li");
    li.textContent = `${f.says[0].toUpperCase()}${f.says.slice(1)}. To do: ${f.do}.`;
    return li;
  }));
  section(state);
  document.body.dataset.stepMs = (performance.now() - started).toFixed(1);
}
function take(name) {
  if (name === active) return;
  const back = [];
  for (const s of pack.sliders)
    if (!pack.groups[name].axes.includes(s.name) && at[s.name] !== s.neutral) {
      at[s.name] = s.neutral;
      back.push(s.label);
    }
  active = name;
  by("notice").textContent = back.length ? `Put back: ${back.join("; ")}.` : "";
}
by("controls").addEventListener("submit", event => event.preventDefault());
by("controls").addEventListener("input", event => {
  const id = event.target.id, box = event.target.closest("[data-group]");
  if (id === "touching") take(event.target.checked ? "contact" : "probe");
  else {
    if (box) take(box.dataset.group);
    at[id] = Number(event.target.value);
  }
  show();
});
by("home").addEventListener("click", () => {
  for (const s of pack.sliders) at[s.name] = s.neutral;
  active = "probe";
  by("notice").textContent = "";
  show();
});
window.addEventListener("resize", show);
show();
