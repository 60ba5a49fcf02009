// The living page. Every part that changes comes from the server as escaped HTML and is put in place by its id;
// nothing else is ever written as HTML. What is turned stands in the address, what is pinned in this browser.
"use strict";
(() => {
  const body = document.body;
  const $ = (id) => document.getElementById(id);
  const knobs = [...document.querySelectorAll(".knob")];
  const byName = new Map(knobs.map((knob) => [knob.dataset.setting, knob]));
  const store = "pins:" + body.dataset.sheet;
  const draft = "draft:" + body.dataset.sheet;
  let pins = pinned(kept(store, []));
  let extra = {};           // settings of the address that no knob stands for
  let stamp = body.dataset.stamp;

  function kept(key, otherwise) {
    try { return JSON.parse(localStorage.getItem(key)) || otherwise; } catch { return otherwise; }
  }
  function pinned(found) {  // what a browser has stored may be anything
    const plain = (one) => one && typeof one.name === "string" && one.settings && typeof one.settings === "object"
      && Object.values(one.settings).every((value) => typeof value === "string");
    return Array.isArray(found) ? found.filter(plain).slice(-12) : [];
  }
  function keep(key, value) {
    try { localStorage.setItem(key, JSON.stringify(value)); } catch { /* a browser that stores nothing still turns */ }
  }

  // ── asking the server ───────────────────────────────────────────────────────────────────────────────────
  async function ask(path, data) {
    const sent = data === undefined ? {} : {
      method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(data),
    };
    const answer = await fetch(path, sent);
    if (!answer.ok) throw new Error(await answer.text());
    return answer.json();
  }
  function lost(error) {
    const said = error instanceof TypeError
      ? "The page's server does not answer: is flowsheet serve still running? What was written down is in the file."
      : error.message;
    say($("turn-fault"), [said]);
    unworked("the server does not answer");
    shown.delete("turn-fault");  // so that the next answer takes it away
  }
  function say(box, lines) {
    box.replaceChildren(...lines.map((line) => {
      const p = document.createElement("p");
      p.textContent = line;
      return p;
    }));
  }

  // ── putting parts in place, with focus, folds and scrolling as they were ────────────────────────────────
  const shown = new Map();
  function put(parts) {
    for (const [id, html] of Object.entries(parts)) {
      const box = $(id);
      if (!box || shown.get(id) === html) continue;
      shown.set(id, html);
      const active = document.activeElement;
      const focus = box.contains(active) && active !== box ? active.id || label(active) : "";
      const open = [...box.querySelectorAll("details[open][id]")].map((one) => one.id);
      const scrolled = [box, ...box.querySelectorAll(".wide")].map((one) => one.scrollLeft);
      box.innerHTML = html;  // a part that the server rendered and escaped
      for (const fold of open) if ($(fold)) $(fold).open = true;
      [box, ...box.querySelectorAll(".wide")].forEach((one, i) => { one.scrollLeft = scrolled[i] || 0; });
      if (focus) {
        const found = $(focus) || [...box.querySelectorAll("[aria-label]")].find((one) => label(one) === focus);
        (found || box.closest("section") || box).focus({ preventScroll: true });
      }
    }
  }
  const label = (element) => element.getAttribute("aria-label") || "";

  // ── settings ────────────────────────────────────────────────────────────────────────────────────────────
  const field = (knob) => knob.querySelector(".value");
  const slider = (knob) => knob.querySelector("input[type=range]");
  const isTurned = (knob) => field(knob).value.trim() !== "" && field(knob).value.trim() !== knob.dataset.written;

  function settings() {
    const found = { ...extra };
    for (const knob of knobs) if (isTurned(knob)) found[knob.dataset.setting] = field(knob).value.trim();
    return found;
  }
  function fromSlider(knob) {
    const { scale, unit, doubt } = knob.dataset;
    const [low, high] = [Number(knob.dataset.low), Number(knob.dataset.high)];
    const range = slider(knob);
    const at = Number(range.value);
    let value = at;
    if (scale !== "whole") {
      const share = (at - Number(range.min)) / (Number(range.max) - Number(range.min));
      value = scale === "log" ? low * (high / low) ** share : low + (high - low) * share;
      value = Math.min(Math.max(Number(value.toPrecision(3)), low), high);
    }
    return `${value}${unit ? " " + unit : ""}${doubt}`;
  }
  function bare(knob, text) {
    // Up to one it may be a share as a sheet has it (0.8 for 80 %): whichever is nearer to what is written. It shows.
    const number = Number(text), written = parseFloat(knob.dataset.written) || 50;
    if (knob.dataset.unit !== "%" || !(number > 0 && number <= 1)) return text;
    const far = (value) => Math.abs(Math.log(value / written));
    return far(100 * number) < far(number) ? String(Number((100 * number).toPrecision(6))) : text;
  }
  function toSlider(knob) {
    const text = field(knob).value.trim() || knob.dataset.written;
    const range = slider(knob);
    range.setAttribute("aria-valuetext", text || "not set");
    if (text === knob.dataset.written) { range.value = knob.dataset.at; return; }
    const { scale, unit } = knob.dataset;
    const found = /^([\d.]+(?:e[-+]?\d+)?)\s*([^\d±]*)/i.exec(text);
    if (!found || found[2].trim() !== unit) return;
    const [low, high] = [Number(knob.dataset.low), Number(knob.dataset.high)];
    const value = Math.min(Math.max(Number(found[1]), low), high);
    const share = scale === "log" ? Math.log(value / low) / Math.log(high / low) : (value - low) / (high - low);
    range.value = scale === "whole" ? value : Number(range.min) + share * (Number(range.max) - Number(range.min));
  }
  function mark(knob) {
    knob.classList.toggle("turned", isTurned(knob));
    knob.classList.toggle("unset", field(knob).value.trim() === "");
  }
  function setAll(values) {
    extra = {};
    for (const [name, value] of Object.entries(values)) if (!byName.has(name)) extra[name] = value;
    for (const knob of knobs) {
      field(knob).value = values[knob.dataset.setting] ?? knob.dataset.written;
      toSlider(knob);
      mark(knob);
    }
    turn();
  }
  function faults(found) {
    for (const knob of knobs) {
      const text = found[knob.dataset.setting] || "";
      const place = knob.querySelector(".fault");
      if (place.textContent !== text) place.textContent = text;
      if (text) field(knob).setAttribute("aria-invalid", "true"); else field(knob).removeAttribute("aria-invalid");
    }
  }

  // ── turning: one at a time, and the newest next ─────────────────────────────────────────────────────────
  let busy = false, more = false, pause = 0;
  let wanted = "";  // the stream whose table is to come into sight
  function unworked(why) {
    const said = why ? `Not worked out: ${why}. Before:` : "";
    if ($("not-worked").textContent !== said) $("not-worked").textContent = said;
  }
  async function turn() {
    body.dataset.ready = "0";
    unsure();
    if (busy) { more = true; return; }
    busy = true;
    try {
      do {
        more = false;
        const sent = { settings: settings(), stream: body.dataset.stream, pins };
        const answer = await ask("/turn", sent);
        seen(answer);
        faults(answer.faults || {});
        put({ "turn-fault": answer.ok ? "" : answer.fault, ...(answer.ok ? answer.parts : {}) });
        if (answer.ok && JSON.stringify([stamp, sent.settings]) === sureOf) surely();
        unworked(answer.ok ? "" : "a setting is at fault");
        if (addressed.length < 100 || Date.now() - addressed[0] > 30000) address(sent.settings);
        if (wanted && answer.ok && sent.stream === wanted) {  // chosen in the drawing: its table is to be seen
          wanted = "";
          $("stream").closest("section").scrollIntoView({ block: "nearest" });
        }
        await painted();
        body.dataset.turn = String(Number(body.dataset.turn) + 1);
      } while (more);
    } catch (error) {
      lost(error);
    } finally {
      busy = false;
      body.dataset.ready = "1";
      clearTimeout(pause);
      pause = setTimeout(rested, 500);
    }
  }
  const painted = () => new Promise((done) => {
    // A page that is not seen paints nothing, and must not wait for it.
    const late = setTimeout(done, 250);
    requestAnimationFrame(() => requestAnimationFrame(() => { clearTimeout(late); done(); }));
  });
  // So that a reload keeps it. Browsers let a page change its address some 200 times in half a minute: where a slider
  // is drawn for long, its last place goes there when it rests.
  const addressed = [];
  function address(found) {
    const query = new URLSearchParams(found).toString();
    if ((query ? "?" + query : "") === location.search) return;
    addressed.push(Date.now());
    if (addressed.length > 100) addressed.shift();
    history.replaceState(null, "", location.pathname + (query ? "?" + query : "") + location.hash);
  }
  function rested() {
    const found = settings();
    address(found);
    sure(found);
  }

  // ── how sure: slower, and never in the way ──────────────────────────────────────────────────────────────
  let sureBusy = false, sureNext = null, sureOf = null, sureParts = {};
  function surely() {  // what the weights tell stands in the place of what a turn tells
    put(sureParts);
    for (const one of document.querySelectorAll("#drawing [data-stream]")) {
      const chosen = one.dataset.stream === body.dataset.stream;
      if (one.hasAttribute("role")) {
        one.classList.toggle("chosen", chosen);
        one.setAttribute("aria-pressed", String(chosen));
      } else one.classList.toggle("picked", chosen);
    }
    if (body.dataset.stream) shown.delete("drawing");  // what is marked is not what was put there
  }
  function unsure() {  // what stands there belongs to other settings than those turned now
    if (sureOf === null || sureOf === JSON.stringify([stamp, settings()])) return;
    $("sure").classList.add("stale");
    if (!sureBusy) $("sure-state").textContent = "Of the settings before: it is worked out anew when you stop turning.";
  }
  async function sure(found) {
    const wanted = JSON.stringify([stamp, found]);
    if (wanted === sureOf) { surely(); $("sure").classList.remove("stale"); $("sure-state").textContent = ""; return; }
    if (sureBusy) { sureNext = found; return; }
    sureBusy = true;
    $("sure-state").textContent = "Working it out …";
    try {
      const answer = await ask("/sure", { settings: found });
      const told = answer.parts.sure !== undefined;
      if (!sureNext && told) {
        sureParts = answer.parts;
        sureOf = wanted;
        surely();
        $("sure").classList.remove("stale");
      }
      $("sure-state").textContent = told ? "" : "Not worked out: a setting is at fault.";
    } catch {
      $("sure-state").textContent = "It could not be worked out just now; turn once more.";
    } finally {
      sureBusy = false;
      const next = sureNext;
      sureNext = null;
      if (next) sure(next);
    }
  }

  // ── the files on the disk ───────────────────────────────────────────────────────────────────────────────
  const sheetOf = (text) => text.split("/")[0];
  function seen(answer) {
    put({ files: answer.files ?? "" });
    if (!answer.stamp || answer.stamp === stamp) return false;
    const other = sheetOf(answer.stamp) !== sheetOf(stamp);
    stamp = answer.stamp;
    if (other) {  // other steps, perhaps: the page is made anew, and what was being typed stays
      reload();
    } else {
      weights();
    }
    return true;
  }
  function reload() {  // when all that was entered is written down
    const now = lane;
    now.then(() => {
      if (lane !== now) { reload(); return; }
      keepDraft();
      address(settings());
      location.reload();
    });
  }
  async function pulse() {
    if (document.hidden || busy) return;
    try { if (seen(await ask("/pulse"))) turn(); } catch { /* the next turn tells */ }
  }
  let weightsAsked = 0;
  async function weights() {
    const mine = ++weightsAsked;
    try {
      const answer = await ask("/weights");
      if (mine === weightsAsked) put(answer.parts);  // else something newer stands there, or comes
    } catch { /* the next weight tells */ }
  }

  // ── knobs ───────────────────────────────────────────────────────────────────────────────────────────────
  for (const knob of knobs) {
    slider(knob).addEventListener("input", () => {
      field(knob).value = fromSlider(knob);
      slider(knob).setAttribute("aria-valuetext", field(knob).value);
      mark(knob);
      turn();
    });
    field(knob).addEventListener("change", () => {
      // A bare number is in the knob's own unit, which stands there then to be seen.
      const text = field(knob).value.trim();
      const { unit, doubt } = knob.dataset;
      // What the sheet doubts stays as much in doubt.
      if (/^[-+]?[\d.]+$/.test(text)) field(knob).value = `${bare(knob, text)}${unit ? " " + unit : ""}${doubt}`;
      toSlider(knob);
      mark(knob);
      turn();
    });
    field(knob).addEventListener("keydown", (event) => {
      if (event.key === "Escape") { field(knob).value = knob.dataset.written; toSlider(knob); mark(knob); turn(); }
    });
  }

  // ── what is chosen, pinned, taken back ──────────────────────────────────────────────────────────────────
  function choose(name, drawn = false) {
    body.dataset.stream = name;
    wanted = drawn ? name : "";
    $("stream-choice").value = name;
    turn();
  }
  $("stream-choice").addEventListener("change", (event) => choose(event.target.value));
  $("drawing").addEventListener("click", (event) => {
    const stream = event.target.closest("[data-stream]");
    if (stream) choose(stream.dataset.stream, true);
  });
  $("drawing").addEventListener("keydown", (event) => {
    const stream = event.target.closest("g.stream");
    if (stream && (event.key === "Enter" || event.key === " ")) {
      event.preventDefault();
      choose(stream.dataset.stream, true);
    }
  });
  $("pin-form").addEventListener("submit", (event) => {
    event.preventDefault();
    const now = settings();
    const nothing = Object.keys(now).length === 0;
    $("pin-fault").textContent = nothing
      ? "Nothing is turned yet, and the sheet as written stands beside every pin: turn a number first." : "";
    if (nothing) return;
    const name = $("pin-name").value.trim() || "pin " + (pins.length + 1);
    pins = [...pins.filter((one) => one.name !== name), { name, settings: now }].slice(-12);
    keep(store, pins);
    $("pin-name").value = "";
    turn();
  });
  $("pins").addEventListener("click", (event) => {
    const { to, unpin } = event.target.dataset;
    if (to !== undefined) setAll(pins[Number(to)].settings);
    if (unpin !== undefined) {
      pins = pins.filter((_, i) => i !== Number(unpin));
      keep(store, pins);
      turn();
    }
  });
  $("turned").addEventListener("click", (event) => {
    if (event.target.id === "all-back") { setAll({}); $("settings-head").focus(); }
    const name = event.target.dataset.back;
    if (name === undefined) return;
    const left = settings();
    delete left[name];
    setAll(left);
  });

  // ── the log ─────────────────────────────────────────────────────────────────────────────────────────────
  const form = $("log-form");
  const offered = JSON.parse(form.dataset.offered);
  const onSieves = ["passing", "mass on", "grade on"];
  const sieved = (name) => onSieves.find((one) => name.startsWith(one + " ")) || name;
  let place = null;     // the line that is weighed again: it stays so only for the same stream and measure
  let question = null;  // the line that tells the same already, while it is asked what to do
  function fill(select, names, wanted) {
    select.replaceChildren(...names.map((name) => {
      const option = document.createElement("option");
      option.value = name;
      option.textContent = name || "(with the number)";
      return option;
    }));
    if (names.includes(wanted)) select.value = wanted;
  }
  function offerWhat() {
    const names = (offered[form.stream.value] || []).map(([name]) => name);
    const more = onSieves.filter((one) => names.some((name) => name.startsWith(one))).map((one) => one + " …");
    fill(form.what, [...names, ...more], form.what.value);
    offerUnit();
  }
  let unitOf = "";
  function offerUnit() {
    const name = sieved(form.what.value);
    const found = (offered[form.stream.value] || []).find(([what]) => what === name || what.startsWith(name + " "));
    const names = [...(found ? found[1] : []), ""];
    // What was chosen stays as long as the same is weighed; else the usual unit is offered.
    const of = [form.stream.value, name, ...names].join("\n");
    fill(form.unit, names, unitOf === of ? form.unit.value : names[0]);
    unitOf = of;
    $("log-size-field").hidden = !form.what.value.endsWith(" …");
  }
  form.stream.addEventListener("change", () => { offerWhat(); another(); });
  form.what.addEventListener("change", () => { offerUnit(); another(); });
  offerWhat();

  function entry() {
    const value = form.value.value.trim();
    const what = form.what.value.replace(/ …$/, () => " " + form.size.value.trim());
    const bare = !/[a-zµμ%‰]/i.test(value);
    return {
      stream: form.stream.value, what, value, unit: bare ? form.unit.value : "",
      sd: form.sd.value.trim(), when: form.when.value.trim(), note: form.note.value.trim(),
    };
  }
  function tell(answer) {
    const found = answer.faults || {};
    for (const name of ["stream", "what", "value", "unit", "sd", "when", "note"]) {
      $("fault-" + name).textContent = found[name] || "";
      if (found[name]) form[name].setAttribute("aria-invalid", "true"); else form[name].removeAttribute("aria-invalid");
    }
    say($("log-fault"), answer.others || []);
    $("log-said").textContent = answer.ok ? answer.said : "";
    const stands = answer.stands;
    inquire(stands ? { line: stands.line, text: stands.text } : null);
    if (stands) {
      $("stands-said").textContent = `In the file stands already: ${stands.said}. If it was weighed again, this can `
        + "take its place (the old line stays as a remark). Else look at the stream's name: is it another one?";
      $("instead").focus();
    }
    const first = Object.keys(found)[0];
    if (first) form[first].focus();
  }
  // One after the other, and none is dropped, however fast they are typed.
  let lane = Promise.resolve();
  function write(asked, clears) {
    $("log-said").textContent = "";
    lane = lane.then(() => send(asked, clears));
  }
  const holds = (told) => Object.entries(entry()).every(([name, text]) => text === told[name]);
  const unwritten = new Map();  // weights that were refused when the next was being typed already
  function heard(told, answer) {
    const which = `${told.stream}, ${told.what}`;
    if (answer.ok) unwritten.delete(which);
    else if (!holds(told)) {
      const why = [...Object.values(answer.faults || {}), ...(answer.others || []),
        ...(answer.stands ? [`In the file stands already: ${answer.stands.said}.`] : [])];
      unwritten.set(which, `Not written: ${which} ${told.value} ${told.unit}. ${why.join(" ")} Enter it once more.`);
    }
    say($("log-unwritten"), [...unwritten.values()]);
  }
  async function send(asked, clears) {
    try {
      const answer = await ask("/weigh", asked);
      if (asked.entry) heard(asked.entry, answer);
      if (answer.ok || !asked.entry || holds(asked.entry)) tell(answer);
      put(answer.parts);
      if (!answer.ok) {
        const gone = !answer.stands && Object.keys(answer.faults || {}).length === 0;
        if (gone) again(null);  // the line has changed since it was shown: it can be weighed again no more
        return;
      }
      weightsAsked += 1;
      if (clears) {
        // What is being typed already for the next one stays.
        for (const name of ["value", "sd", "note", "when"]) {
          if (form[name].value.trim() === asked.entry[name]) form[name].value = "";
        }
        again(null);
        if (form.contains(document.activeElement)) form.value.focus();
      }
      // Whether the sheet is another one, too, the next turn sees.
      if (sheetOf(answer.stamp) === sheetOf(stamp)) stamp = answer.stamp;
      weights();
      turn();
    } catch (error) {
      say($("log-fault"), [error instanceof TypeError
        ? "The page's server does not answer: this weight is not written down yet. Start flowsheet serve again, then enter it once more."
        : error.message]);
    }
  }
  function inquire(line) {
    question = line;
    $("stands").hidden = !line;
  }
  function again(line, said) {
    place = line;
    $("enter").textContent = line ? "Put it in the place of " + said : "Write it down";
    $("not-again").hidden = !line;
    inquire(null);
  }
  function another() {  // another stream or measure is another weight: it takes no line's place
    if (!place && !question) return;
    if (place && form.stream.value === place.stream && form.what.value === place.what) return;
    const left = place;
    again(null);
    if (left) $("log-said").textContent = "This is another weight now, to be written as a new line.";
  }
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    write(place ? change(place) : { do: "add", entry: entry() }, true);
  });
  const change = ({ line, text }) => ({ do: "change", entry: entry(), line, text });
  $("instead").addEventListener("click", () => { if (question) write(change(question), true); });
  for (const id of ["leave", "not-again"]) $(id).addEventListener("click", () => { again(null); form.value.focus(); });
  form.size.addEventListener("input", another);
  $("log-lines").addEventListener("click", (event) => {
    const { again: line, strike, text } = event.target.dataset;
    if (strike !== undefined) {
      if (place && place.line === Number(strike)) again(null);
      write({ do: "strike", line: Number(strike), text }, false);
    }
    if (line === undefined) return;
    const { stream, what, unit, said } = event.target.dataset;
    form.stream.value = stream;
    offerWhat();
    if (![...form.what.options].some((one) => one.value === what)) form.what.add(new Option(what, what));
    form.what.value = what;
    offerUnit();
    if ([...form.unit.options].some((one) => one.value === unit)) form.unit.value = unit;
    again({ line: Number(line), text, stream, what }, said);
    form.value.focus();
  });
  $("undo-part").addEventListener("click", (event) => {
    if (event.target.dataset.token) write({ do: "undo", token: event.target.dataset.token }, false);
  });
  form.addEventListener("keydown", (event) => {
    if (event.key === "Escape") again(null);
  });

  // What was being typed outlives a reload.
  const typed = ["stream", "what", "size", "value", "unit", "sd", "when", "note"];
  function keepDraft() {
    try { sessionStorage.setItem(draft, JSON.stringify(typed.map((name) => form[name].value))); } catch { /* none kept */ }
  }
  function takeDraft() {
    try {
      const found = JSON.parse(sessionStorage.getItem(draft) || "null");
      sessionStorage.removeItem(draft);
      if (!found) return;
      typed.forEach((name, i) => {
        form[name].value = found[i];
        if (name === "stream") offerWhat();
        if (name === "what") offerUnit();
      });
    } catch { /* none kept */ }
  }
  addEventListener("pagehide", keepDraft);

  // ── start ───────────────────────────────────────────────────────────────────────────────────────────────
  takeDraft();
  const ore = $("stream0");
  if (ore && $("drawing").scrollWidth > $("drawing").clientWidth) {  // begin where the ore comes in
    const [inside, frame] = [ore.getBoundingClientRect(), $("drawing").getBoundingClientRect()];
    $("drawing").scrollLeft += (inside.left + inside.right) / 2 - (frame.left + frame.right) / 2;
  }
  // What the server took of the address, and no more: another page may have led here.
  for (const [name, value] of Object.entries(JSON.parse(body.dataset.settings))) {
    if (!byName.has(name)) extra[name] = value;
  }
  address(settings());
  weights();
  setInterval(pulse, 2000);
  if (pins.length) turn();
  else {
    body.dataset.ready = "1";
    sure(settings());
  }
})();
