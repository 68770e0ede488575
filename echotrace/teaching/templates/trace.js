// One trace on an SVG of its own size: envelope, names of picks, true arrivals, a mark by hand.
"use strict";
const FLOOR_DB = -60, TOP_DB = 34, STEPS_A_DB = 3;

function bytesOf(text) {
  const raw = atob(text), out = new Uint8Array(raw.length);
  for (let k = 0; k < raw.length; k++) out[k] = raw.charCodeAt(k);
  return out;
}

function element(name, attributes, text) {
  const e = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const key in attributes) e.setAttribute(key, attributes[key]);
  if (text !== undefined) e.textContent = text;
  return e;
}

function scaleOf(svg, lastUs) {
  const wide = Math.max(280, svg.clientWidth || 600), high = wide < 480 ? 250 : 290;
  const left = 40, right = 12, top = 4, foot = 36;
  return {
    wide, high, left, top, foot,
    x: us => left + (wide - left - right) * us / lastUs,
    us: px => Math.min(lastUs, Math.max(0, (px - left) / (wide - left - right) * lastUs)),
    y: db => top + (high - top - foot) * (TOP_DB - db) / (TOP_DB - FLOOR_DB + 4),
  };
}

function drawTrace(svg, trace) {
  const s = scaleOf(svg, trace.lastUs);
  svg.setAttribute("viewBox", `0 0 ${s.wide} ${s.high}`);
  svg.setAttribute("height", s.high);
  svg.replaceChildren();
  const add = (name, attributes, text) => svg.appendChild(element(name, attributes, text));
  for (const db of [-60, -40, -20, 0]) {
    add("line", {x1: s.left, x2: s.x(trace.lastUs), y1: s.y(db), y2: s.y(db),
      class: db === 0 ? "limit" : "rule"});
    add("text", {x: s.left - 5, y: s.y(db) + 4, "text-anchor": "end", class: "tick"}, String(db));
  }
  for (let us = 0; us <= trace.lastUs; us += 10)
    add("text", {x: s.x(us), y: s.high - 20, "text-anchor": "middle", class: "tick"}, String(us));
  add("text", {x: s.x(trace.lastUs / 2), y: s.high - 5, "text-anchor": "middle", class: "tick"},
    "delay (µs); upright: dB of full scale");
  let path = "";
  for (let k = 0; k < trace.level.length && k * trace.stepUs <= trace.lastUs; k++)
    path += `${k ? "L" : "M"}${s.x(k * trace.stepUs).toFixed(1)} ` +
      `${s.y(FLOOR_DB + trace.level[k] / STEPS_A_DB).toFixed(1)}`;
  add("path", {d: path, class: "envelope"});
  const ends = [-1, -1, -1, -1], names = [];
  for (const [name, us] of trace.picks || []) {
    const px = s.x(us), wide = 6.4 * name.length + 8, flip = px + wide > s.wide;
    let row = ends.findIndex(end => end < (flip ? px - wide : px));
    if (row < 0) row = 3;
    ends[row] = flip ? px : px + wide;
    const y = s.y(6 + 6.5 * row);
    add("line", {x1: px, x2: px, y1: s.y(FLOOR_DB), y2: y - 9, class: "pick"});
    names.push([{x: flip ? px - 3 : px + 3, y, class: "name",
      "text-anchor": flip ? "end" : "start"}, name]);
  }
  for (const [attributes, name] of names) add("text", attributes, name);
  for (const us of trace.truth || []) {
    const y = s.y(FLOOR_DB) + 2;
    if (us > trace.lastUs) {
      // Beyond the picture: an arrow at its edge, not a mark in a wrong place.
      const edge = s.x(trace.lastUs);
      add("path", {d: `M${edge} ${y}L${edge} ${y + 8}L${edge + 8} ${y + 4}Z`, class: "truth"});
      add("text", {x: edge - 4, y: y + 8, "text-anchor": "end", class: "tick"}, "true arrival beyond");
      continue;
    }
    const px = s.x(us);
    add("path", {d: `M${px - 4} ${y + 8}L${px + 4} ${y + 8}L${px} ${y}Z`, class: "truth"});
  }
  if (trace.mark !== undefined)
    add("line", {x1: s.x(trace.mark), x2: s.x(trace.mark), y1: s.y(FLOOR_DB), y2: s.y(3),
      class: "mark"});
  return s;
}
