const pack = JSON.parse(document.getElementById("pack").textContent);
const by = id => document.getElementById(id);
const answers = [];
let now = 0, checked = false;

function keyOf(k) {
  return JSON.parse(new TextDecoder().decode(bytesOf(pack.cases[k].sealed).map(b => b ^ 0x5a)));
}
function shownTrace() {
  const c = pack.cases[now];
  const trace = {level: bytesOf(c.level), stepUs: pack.step_us, lastUs: c.last_us};
  if (by("placed").checked) trace.mark = Number(by("retina").value);
  if (checked) { const key = keyOf(now); trace.picks = key.picks; trace.truth = key.truth; }
  return trace;
}
function draw() {
  by("at").textContent = Number(by("retina").value).toFixed(2);
  return drawTrace(by("trace"), shownTrace());
}
function show() {
  checked = false;
  const c = pack.cases[now];
  by("which").textContent = `Trace ${now + 1} of ${pack.cases.length}, ${c.method}`;
  by("answer").reset();
  by("retina").max = c.last_us.toFixed(2);
  by("retina").value = (c.last_us / 2).toFixed(2);
  by("why").disabled = true;
  by("feedback").replaceChildren();
  by("check").hidden = false;
  by("next").hidden = true;
  draw();
}
function say(text, kind) {
  const p = document.createElement("p");
  p.textContent = text;
  if (kind) p.className = kind;
  by("feedback").appendChild(p);
}
function check(event) {
  event.preventDefault();
  if (checked) return;
  const given = document.querySelector("input[name=verdict]:checked");
  by("feedback").replaceChildren();
  if (!given) { say("Say first whether you accept or reject.", "warn"); return; }
  const key = keyOf(now), reject = given.value === "reject";
  const placed = by("placed").checked, at = Number(by("retina").value);
  checked = true;
  const right = reject === (key.cause !== "");
  say(right ? "Right." : key.cause ? "This one had to be rejected." : "This one was good.",
    right ? "good" : "warn");
  say(key.cause ? `What was wrong: ${key.words}.` : "Nothing was wrong with it.");
  if (right && reject && by("why").value && by("why").value !== key.cause)
    say("You rejected it for another reason.", "warn");
  if (placed && key.retina_us !== null) {
    const off = (at - key.retina_us) / 2 * key.speed_mm_per_us;
    say(`Your retina lies ${Math.abs(off).toFixed(2)} mm ${off < 0 ? "in front of" : "behind"} the true one.`);
  }
  for (const text of key.told) say(text);
  answers.push([pack.cases[now].number, given.value, reject ? by("why").value : "",
    placed ? at.toFixed(3) : ""]);
  by("check").hidden = true;
  by("next").hidden = false;
  by("next").textContent = now + 1 < pack.cases.length ? "Next trace" : "To the end";
  by("next").focus();
  draw();
}
function next() {
  now += 1;
  if (now < pack.cases.length) { show(); by("which").scrollIntoView(); return; }
  by("task").hidden = true;
  by("end").hidden = false;
  let hits = 0, spoilt = 0, alarms = 0;
  answers.forEach((a, k) => {
    const bad = keyOf(k).cause !== "";
    spoilt += bad;
    if (a[1] === "reject") { if (bad) hits += 1; else alarms += 1; }
  });
  by("summary").textContent = `${hits} of ${spoilt} spoilt traces were rejected, and ${alarms} of ` +
    `${answers.length - spoilt} good ones.`;
  by("end-title").focus();
}
function save() {
  const code = by("learner").value.trim();
  if (!/^(?=.*[0-9])[A-Za-z0-9_-]{1,12}$/.test(code)) {
    by("summary").textContent = "Give your code first: letters and digits, one digit at least, never a name.";
    by("learner").focus();
    return;
  }
  const day = new Date().toISOString().slice(0, 10);
  const rows = answers.map(a => [code, day, pack.exercise, ...a].join(","));
  const text = ["learner,date,exercise,case,answer,cause,retina_us", ...rows, ""].join("\n");
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([text], {type: "text/csv"}));
  link.download = `answers-${code}-${pack.exercise}.csv`;
  link.click();
}
by("answer").addEventListener("submit", check);
by("answer").addEventListener("change", event => {
  if (event.target.name === "verdict") by("why").disabled = event.target.value !== "reject";
  draw();
});
by("retina").addEventListener("input", () => { by("placed").checked = true; draw(); });
by("trace").addEventListener("click", event => {
  if (checked) return;
  const s = draw();
  by("retina").value = s.us(event.clientX - by("trace").getBoundingClientRect().left).toFixed(2);
  by("placed").checked = true;
  draw();
});
by("next").addEventListener("click", next);
by("save").addEventListener("click", save);
window.addEventListener("resize", draw);
show();
