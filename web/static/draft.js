// Keeps a draft while somebody writes it. Each form with data-draft="save" is sent a moment after a change, one
// at a time; until the server has it, what was typed also lies in this browser's own store, so that neither a
// lost network nor a closed page loses it. A form with data-draft="hold" is sent by its button only, and held
// until it has arrived. Without this module the buttons of the forms do the same.

function begin(page) {
  const drafts = [...page.querySelectorAll("form[data-draft]")].map((form) => new Draft(form, page.dataset.draftKey));
  page.classList.add("by-module-page");
  for (const d of drafts) d.restore();

  let running = false;
  const work = async () => {
    if (running) return;
    running = true;
    try {
      for (let d = next(); d; d = next()) await d.send();
    } finally {
      running = false;
    }
    const to = drafts.find((d) => d.goto)?.goto;
    if (!to || drafts.some((d) => d.waiting)) return;
    if (to.pathname !== location.pathname) {
      location.assign(to);
      return;
    }
    history.replaceState(null, "", to);
    location.reload();
  };
  const next = () => drafts.find((d) => d.due());
  for (const d of drafts) d.work = work;
  addEventListener("online", () => { for (const d of drafts) d.retry(); work(); });
  setInterval(() => { for (const d of drafts) d.retry(); work(); }, 5000);
  addEventListener("beforeunload", (e) => {
    if (drafts.some((d) => d.waiting)) e.preventDefault();
  });
  work();
}

class Draft {
  constructor(form, key) {
    this.form = form;
    this.hold = form.dataset.draft === "hold";
    this.key = `draft ${key} ${new URL(form.action).pathname}`;
    this.base = this.read(); // as the server had it last
    this.waiting = false; // typed and not with the server yet
    this.pressed = false; // of a form that is held: its button was pressed
    this.stuck = false; // refused, or written by somebody else too: somebody must look first
    this.after = 0; // not before this time
    this.said = document.createElement("p");
    this.said.className = "kept";
    this.said.setAttribute("role", "status");
    form.append(this.said);
    if (!this.hold) form.classList.add("by-module");
    form.addEventListener("input", () => this.typed(900));
    form.addEventListener("change", () => this.typed(150));
    form.addEventListener("submit", (e) => {
      e.preventDefault();
      this.pressed = true;
      this.stuck = false;
      this.typed(0);
    });
  }

  // fields are the inputs by name; hidden ones are the program's.
  fields() {
    const all = new Map();
    for (const input of this.form.elements) {
      if (!input.name || input.type === "hidden" || input.type === "file" || input.tagName === "BUTTON") continue;
      all.set(input.name, [...(all.get(input.name) ?? []), input]);
    }
    return all;
  }

  read() {
    const values = {};
    for (const [name, inputs] of this.fields()) {
      values[name] = inputs.flatMap((i) => (i.type === "checkbox" || i.type === "radio" ? (i.checked ? [i.value] : []) : i.value === "" ? [] : [i.value.replaceAll("\r\n", "\n")]));
    }
    return values;
  }

  write(name, values) {
    for (const i of this.fields().get(name) ?? []) {
      if (i.type === "checkbox" || i.type === "radio") i.checked = values.includes(i.value);
      else i.value = values[0] ?? "";
    }
  }

  typed(delay) {
    this.waiting = this.hold ? this.pressed : true;
    this.stuck = false;
    this.after = Date.now() + delay;
    this.remember();
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.work(), delay + 20);
  }

  due() { return this.waiting && !this.stuck && Date.now() >= this.after; }

  retry() { if (this.waiting && !this.stuck) this.after = Math.min(this.after, Date.now()); }

  remember() {
    try {
      localStorage.setItem(this.key, JSON.stringify({ typed: this.read(), base: this.base, id: this.form.elements.id?.value }));
    } catch {
      // the browser keeps nothing: the server still does
    }
  }

  forget() {
    try {
      localStorage.removeItem(this.key);
    } catch {
      // nothing was kept
    }
  }

  // restore takes up what was typed in this browser and had not arrived.
  restore() {
    let kept;
    try {
      kept = JSON.parse(localStorage.getItem(this.key));
    } catch {
      return;
    }
    if (!kept) return;
    if (this.hold && kept.id) {
      if (document.getElementById(`o-${kept.id}`)) { // it had arrived, only the answer was lost
        this.forget();
        return;
      }
      this.form.elements.id.value = kept.id; // so that it is kept once
    }
    const present = this.base;
    let other = false;
    for (const [name, mine] of Object.entries(kept.typed)) {
      if (!(name in present) || same(mine, present[name]) || same(mine, kept.base[name])) continue;
      this.write(name, mine);
      other = true;
      if (!same(present[name], kept.base[name]) && !this.hold) this.offer(name, present[name], words(this.fields().get(name), present[name]));
    }
    if (!other) {
      this.forget();
      return;
    }
    for (const folded of this.form.querySelectorAll("details")) folded.open = true;
    this.say("What you typed here before is back; it had not arrived.");
    if (!this.hold && !this.stuck) this.typed(0);
  }

  async send() {
    const sent = this.read();
    let answer;
    let data = {};
    try {
      answer = await fetch(this.form.action, {
        method: "POST",
        headers: { "X-Draft": "1" },
        body: new URLSearchParams(new FormData(this.form)),
        redirect: "manual",
        signal: AbortSignal.timeout(20000),
      });
      if (answer.headers.get("Content-Type")?.startsWith("application/json")) data = await answer.json();
    } catch {
      this.later("Not kept yet: the network does not answer. What you typed lies in this browser, and is sent again by itself.");
      return;
    }
    if (answer.ok) {
      this.arrived(sent, data);
    } else if (answer.status === 412) {
      this.clash(data);
    } else if (data.message) {
      this.refused(data);
    } else if (answer.status === 401 || answer.status === 403 || answer.type === "opaqueredirect") {
      this.later("Not kept yet: sign in again, in another window. What you typed lies in this browser.");
    } else {
      this.later("Not kept yet: the server could not take it. What you typed lies in this browser, and is sent again by itself.");
    }
  }

  later(text) {
    this.after = Date.now() + 5000;
    this.say(text, true);
  }

  arrived(sent, data) {
    this.clear();
    if (data.goto) {
      this.waiting = false;
      this.forget();
      this.goto = new URL(data.goto, location.href); // once nothing else waits
      this.say("It is written down.");
      return;
    }
    this.form.elements.base.value = data.base;
    const now = this.read();
    for (const [name, values] of Object.entries(data.present ?? {})) {
      if (name in now && same(now[name], sent[name])) { // not typed in since
        if (!same(now[name], values)) this.write(name, values);
      }
    }
    this.base = { ...sent, ...(data.present ?? {}) };
    this.waiting = !Object.entries(this.read()).every(([name, values]) => same(values, this.base[name] ?? []));
    if (this.waiting) this.remember();
    else this.forget();
    this.say(data.said ?? "Kept.");
    const list = document.querySelector("[data-missing]");
    if (list) list.replaceChildren(...missing(data.missing ?? []));
  }

  // clash: somebody else wrote here. Where only one of the two wrote, both are kept; where both did, both are
  // shown, and nothing is sent before somebody has chosen.
  clash(data) {
    this.clear();
    this.form.elements.base.value = data.base;
    let both = false;
    const mine = this.read();
    for (const [name, theirs] of Object.entries(data.present ?? {})) {
      if (!(name in mine) || same(theirs, this.base[name] ?? [])) continue; // they did not write here
      if (same(mine[name], theirs)) continue;
      if (same(mine[name], this.base[name] ?? [])) {
        this.write(name, theirs);
        continue;
      }
      both = true;
      this.offer(name, theirs, data.words?.[name] ?? theirs.join(", "));
    }
    this.base = { ...this.base, ...(data.present ?? {}) };
    this.remember();
    if (both) {
      this.stuck = true;
      this.say("Somebody else wrote here too. Yours stands in the field, theirs below it: choose, or put both together.", true);
    } else {
      this.after = Date.now();
    }
  }

  // offer shows what somebody else has kept beside a field.
  offer(name, theirs, text) {
    const field = this.fields().get(name)?.[0]?.closest(".field");
    if (!field) return;
    this.stuck = true;
    const box = document.createElement("div");
    box.className = "theirs";
    const p = document.createElement("p");
    p.className = "help";
    p.textContent = "Kept by somebody else meanwhile:";
    const quote = document.createElement("blockquote");
    quote.textContent = text;
    box.append(p, quote);
    const choose = (label, act) => {
      const b = document.createElement("button");
      b.type = "button";
      b.className = "small";
      b.textContent = label;
      b.addEventListener("click", () => {
        act();
        box.remove();
        if (!this.form.querySelector(".theirs")) this.typed(0);
      });
      box.append(b, " ");
    };
    choose("Take theirs", () => this.write(name, theirs));
    choose("Keep mine", () => {});
    field.append(box);
    for (let d = field.closest("details"); d; d = d.parentElement.closest("details")) d.open = true;
  }

  refused(data) {
    this.clear();
    this.stuck = true;
    if (this.hold) this.pressed = this.waiting = false;
    const faults = { ...(data.faults ?? {}) };
    for (const [name, inputs] of this.fields()) {
      const message = faults[name];
      const field = inputs[0].closest(".field");
      if (!message || !field) continue;
      const p = document.createElement("p");
      p.className = "wrong";
      p.textContent = message;
      p.id = `${inputs[0].id || field.id}-told`;
      field.append(p);
      for (const i of inputs) {
        if (i.type === "radio" || i.type === "checkbox") continue;
        i.setAttribute("aria-invalid", "true");
        i.setAttribute("aria-describedby", p.id);
      }
      for (let d = field.closest("details"); d; d = d.parentElement.closest("details")) d.open = true;
      delete faults[name];
    }
    this.say([`Not kept: ${data.message}`, ...Object.values(faults), ...(data.missing ?? [])].join(" "), true);
  }

  clear() {
    for (const old of this.form.querySelectorAll(".theirs, .wrong")) old.remove();
    for (const i of this.form.querySelectorAll("[aria-invalid]")) {
      i.removeAttribute("aria-invalid");
      i.removeAttribute("aria-describedby");
    }
  }

  say(text, notYet = false) {
    this.said.classList.toggle("not-yet", notYet);
    if (this.said.textContent !== text) this.said.textContent = text;
  }
}

function same(a = [], b = []) {
  const order = (x) => x.map((v) => v.trim()).filter((v) => v !== "").sort().join("\u0000");
  return order(a) === order(b);
}

// words are the values of a field as a person reads them.
function words(inputs, values) {
  if (!values.length) return "nothing";
  return values.map((v) => {
    for (const i of inputs ?? []) {
      if (i.tagName === "SELECT") return [...i.options].find((o) => o.value === v)?.textContent ?? v;
      if ((i.type === "checkbox" || i.type === "radio") && i.value === v) return i.closest("label")?.textContent.trim() ?? v;
    }
    return v;
  }).join(", ");
}

// missing shows what still stands against signing.
function missing(all) {
  const p = document.createElement("p");
  if (!all.length) {
    p.textContent = "Nothing is missing.";
    return [p];
  }
  p.textContent = "Still missing:";
  const list = document.createElement("ul");
  for (const text of all) {
    const item = document.createElement("li");
    item.textContent = text;
    list.append(item);
  }
  return [p, list];
}

const page = document.querySelector("[data-draft-key]");
if (page) begin(page);
