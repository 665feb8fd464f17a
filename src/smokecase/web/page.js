/* The page's own script: sends taps, keeps the address, moves player and timeline together.
   Nothing is loaded from anywhere; measuring and weighing happen on the server. */
window.smokecase = (() => {
  "use strict";
  let send = null, root = null, lastStep = null, lastAddress = null, busyTimer = 0, pollTimer = 0;
  let asked = null, latest = "", shown = "", againTimer = 0;  // the tap that waits for its answer
  const AGAIN_MS = 2500;
  const $ = (what, from) => (from || root).querySelector(what);
  const $$ = (what, from) => Array.from((from || root).querySelectorAll(what));
  const sheet = () => $("#sheet");

  function address() {
    const here = sheet();
    const text = here && here.dataset.address !== undefined ? here.dataset.address : location.search;
    return Object.fromEntries(new URLSearchParams(text));
  }

  function fields(from) {
    const told = {};
    const form = from && from.closest("[data-form]");
    if (form) for (const field of $$("input[name], select[name], textarea[name]", form))
      told[field.name] = field.value;
    return told;
  }

  function act(told) {
    const all = Object.assign({}, address(), told);
    try { all.by = localStorage.getItem("smokecase-by") || ""; } catch (error) { all.by = ""; }
    all.mine = mine();
    all.ask = Math.random().toString(36).slice(2) + Date.now().toString(36);
    latest = all.ask;
    if (told.do !== "poll") {
      asked = all;
      clearTimeout(busyTimer);
      busyTimer = setTimeout(() => root.classList.add("busy"), 220);
      clearTimeout(againTimer);
      againTimer = setTimeout(again, AGAIN_MS, AGAIN_MS);
    }
    send("click", all);
  }

  /* numbers of the cases that this browser has been to; away from the machine only these are listed */
  function mine(also) {
    let known = [];
    try {
      known = JSON.parse(localStorage.getItem("smokecase-mine") || "[]");
      if (also && known[0] !== also) {
        known = [also].concat(known.filter((one) => one !== also)).slice(0, 100);
        localStorage.setItem("smokecase-mine", JSON.stringify(known));
      }
    } catch (error) { known = []; /* private window */ }
    return known;
  }

  /* an answer can be lost on the way: ask again; the server does each tap once, by its mark */
  function again(after) {
    if (!asked) return;
    send("click", asked);
    againTimer = setTimeout(again, 2 * after, 2 * after);
  }

  /* whether the answer that came is to be shown; a late one to an earlier look is looked up anew */
  function current(here) {
    const ask = here.dataset.ask || "";
    if (asked && ask === asked.ask) {
      asked = null;
      clearTimeout(againTimer);
      clearTimeout(busyTimer);
      root.classList.remove("busy");
    }
    if (ask === latest) { shown = here.dataset.address; return true; }
    if (asked || !ask) return true;
    const to = Object.fromEntries(new URLSearchParams(shown));
    act(Object.assign({ case: "", step: "", clip: "", other: "", about: "", trial: "" }, to, { do: "go" }));
    return false;
  }

  /* -- taps ------------------------------------------------------------------------------- */
  function tapped(event) {
    const at = event.target.closest("button, [data-do]");
    if (!at || !root.contains(at)) return;
    if (at.id === "go-steps") return openSteps(at);
    if (at.dataset.play !== undefined) return playOrPause();
    if (at.dataset.stepBy) return stepBy(Number(at.dataset.stepBy));
    if (at.dataset.peak !== undefined) return toPeak();
    if (at.dataset.outline !== undefined) return toggleOutline(at);
    if (at.dataset.playBoth !== undefined) return playBoth(at);
    if (at.dataset.copy) return copy(at);
    if (at.dataset.stopSending !== undefined) return stopSending();
    if (!at.dataset.do) return;
    if (at.dataset.do === "unmark") return unmark();
    const told = Object.assign({}, at.dataset, fields(at));
    if (at.dataset.do === "start" && $("#new-name")) told.called = $("#new-name").value;
    if (at.dataset.do === "measure") Object.assign(told, marked());
    act(told);
  }

  function changed(event) {
    const at = event.target;
    if (at.matches(".file")) return bring(at);
    if (at.dataset.keep) {
      try { localStorage.setItem("smokecase-" + at.dataset.keep, at.value); } catch (error) { /* private window */ }
      return;
    }
    if (at.dataset.change) {
      const told = Object.assign({}, at.dataset, { do: at.dataset.change });
      told[at.dataset.as] = at.value;
      act(told);
    }
  }

  function keyed(event) {
    const at = event.target;
    if (event.key === "Enter" && at.dataset && at.dataset.enter) {
      event.preventDefault();
      const go = $("#" + at.dataset.enter);
      if (go) go.click();
    }
    if (event.key === "Escape") {
      const head = $("#go-steps");
      if (head && head.getAttribute("aria-expanded") === "true") { openSteps(head); head.focus(); }
    }
    if (at.closest && at.closest(".marking .picture")) markByKey(event);
  }

  function openSteps(head) {
    const open = head.getAttribute("aria-expanded") !== "true";
    head.setAttribute("aria-expanded", String(open));
    head.closest(".steps").classList.toggle("open", open);
    kept.set("steps", open);
  }

  /* -- after every answer of the server ----------------------------------------------------- */
  function settled() {
    const here = sheet();
    if (!here || here.dataset.address === undefined || !current(here)) return;
    const at = new URLSearchParams(here.dataset.address).get("case");
    const known = mine(at);
    if (here.dataset.own !== undefined && !here.dataset.ask && !at && known.length) act({ do: "go" });
    const to = location.pathname + here.dataset.address;
    if (to !== location.pathname + location.search) history.pushState(null, "", to);
    const stage = $("#stage");
    const name = stage ? stage.dataset.step : "";
    if (lastStep !== null && lastStep !== name) {
      const nav = $(".steps");
      if (nav) { nav.classList.remove("open"); $("#go-steps").setAttribute("aria-expanded", "false"); }
      window.scrollTo({ top: 0 });
      if (stage) stage.focus({ preventScroll: true });
    }
    const wrong = $("#said .wrong");
    if (wrong) wrong.scrollIntoView({ block: "nearest" });
    const trying = $(".trying");
    if (trying && here.dataset.address !== lastAddress) trying.scrollIntoView({ block: "start" });
    if (here.dataset.address === lastAddress) putBack(); else kept.clear();
    lastStep = name;
    lastAddress = here.dataset.address;
    const by = $("#by");
    if (by) { try { by.value = localStorage.getItem("smokecase-by") || ""; } catch (error) { /* private window */ } }
    wakePlayer();
    wakePair();
    wakeMarking();
    clearTimeout(pollTimer);
    pollTimer = setTimeout(poll, 50);
  }

  /* -- what the reader opened, typed and stood on stays, when progress comes in --------------- */
  const kept = new Map();  // by what it is of: true where opened, words where typed
  let stoodOn = "";

  function keyOf(at) {
    const own = at.id || at.name || at.dataset.do && [at.dataset.do, at.dataset.step, at.dataset.clip,
      at.dataset.number, at.dataset.job, at.dataset.state].join("/");
    return own || (at.querySelector && at.querySelector("summary") || at).textContent.trim().slice(0, 80);
  }

  function keepOpen(event) {
    if (event.target.matches("details")) kept.set("open " + keyOf(event.target), event.target.open);
  }
  function keepTyped(event) {
    if (event.target.matches("input[name], select[name], textarea[name], #new-name"))
      kept.set("typed " + keyOf(event.target), event.target.value);
  }
  function keepFocus(event) { stoodOn = event.target.matches("#stage") ? "" : event.target.tagName + keyOf(event.target); }

  function putBack() {
    for (const at of $$("details")) {
      const open = kept.get("open " + keyOf(at));
      if (open !== undefined) at.open = open;
    }
    for (const at of $$("input[name], select[name], textarea[name], #new-name")) {
      const typed = kept.get("typed " + keyOf(at));
      if (typed !== undefined) at.value = typed;
    }
    if (kept.get("steps")) openSteps($("#go-steps"));
    if (!stoodOn || document.activeElement !== document.body) return;
    const again = $$("button, summary, input, select, textarea, a, [tabindex='0']")
      .find((at) => at.tagName + keyOf(at) === stoodOn);
    if (again) again.focus({ preventScroll: true });
  }

  /* the server answers when the work has come to another state, or after a while with how far it is;
     only another state needs the whole sheet again */
  function poll() {
    const work = $("[data-work][data-state=running]") || $("[data-work]");
    if (!work) return;
    const { work: name, state } = work.dataset;
    fetch("/progress/" + sheet().lang + "/" + name + "?state=" + state).then((answer) => answer.json()).then((far) => {
      if (!root.contains(work) || work.dataset.work !== name || work.dataset.state !== state) return;
      if (far.state === state) progress(work, far);
      else if (!asked) act({ do: "poll" });
      clearTimeout(pollTimer);
      pollTimer = setTimeout(poll, far.state === state ? 50 : 2500);  // also after an answer that never came
    }).catch(() => { clearTimeout(pollTimer); pollTimer = setTimeout(poll, 2500); });
  }

  function progress(work, far) {
    const bar = $(".bar", work);
    $("b", work).textContent = far.line;
    $(".left", work).textContent = far.left;
    bar.firstElementChild.style.width = far.share + "%";
    bar.setAttribute("aria-valuenow", String(far.share));
    bar.setAttribute("aria-label", far.line);
  }

  /* -- bringing files ----------------------------------------------------------------------- */
  let sending = null;

  function bring(input) {
    const files = Array.from(input.files || []);
    if (!files.length) return;
    const box = input.closest(".bring"), shown = $(".sending", box);
    const names = files.map((file) => file.name).join(", ");
    shown.hidden = false;
    shown.textContent = "";
    const words = document.createElement("p");
    words.textContent = box.dataset.sending.replace("{name}", names);
    const bar = document.createElement("div");
    bar.className = "bar";
    bar.setAttribute("role", "progressbar");
    bar.setAttribute("aria-valuemin", "0");
    bar.setAttribute("aria-valuemax", "100");
    bar.setAttribute("aria-label", words.textContent);
    bar.appendChild(document.createElement("i"));
    const stop = document.createElement("button");
    stop.type = "button";
    stop.className = "b quiet";
    stop.dataset.stopSending = "";
    stop.id = "go-stop-sending";
    stop.textContent = box.dataset.stop;
    shown.append(words, bar, stop);
    const form = new FormData();
    for (const file of files) form.append("files", file, file.name);
    const request = new XMLHttpRequest();
    sending = request;
    const failed = (why) => {
      sending = null;
      bar.remove();
      stop.remove();
      words.textContent = box.dataset.failed.replace("{name}", names).replace("{why}", why);
      words.className = "wrong-line";
    };
    request.upload.onprogress = (event) => {
      if (!event.lengthComputable) return;
      const share = Math.round(100 * event.loaded / event.total);
      bar.firstChild.style.width = share + "%";
      bar.setAttribute("aria-valuenow", String(share));
    };
    request.onload = () => {
      let paths = null;
      try { paths = JSON.parse(request.responseText); } catch (error) { paths = null; }
      if (request.status === 200 && Array.isArray(paths)) {
        sending = null;
        stop.remove();
        const name = $("#new-name");
        act({ do: "bring", files: paths, called: name ? name.value : "" });
      } else {
        failed((request.responseText || "").slice(0, 200).trim() || String(request.status));
      }
    };
    request.onerror = () => failed(box.dataset.cut);
    request.onabort = () => { sending = null; shown.hidden = true; shown.textContent = ""; };
    const base = location.pathname.endsWith("/") ? location.pathname : location.pathname + "/";
    request.open("POST", base + "gradio_api/upload");
    request.send(form);
    input.value = "";
  }

  function stopSending() { if (sending) sending.abort(); }

  /* -- the ring on the end of the pipe --------------------------------------------------------- */
  let ring = null;  // {key, x, y, across, set}

  function wakeMarking() {
    const box = $(".marking");
    if (!box) { ring = null; return; }
    if (ring && ring.key === box.dataset.key) { drawRing(box); return; }
    const circle = $(".ring circle", box);
    ring = {
      key: box.dataset.key, x: Number(circle.getAttribute("cx")), y: Number(circle.getAttribute("cy")),
      across: 2 * Number(circle.getAttribute("r")), set: box.dataset.set === "found", own: false,
    };
    const picture = $(".picture", box), slider = $("#ring-size", box);
    let held = false;
    const to = (event) => {
      const area = picture.getBoundingClientRect();
      ring.x = Math.max(0, Math.min(1, (event.clientX - area.left) / area.width)) * Number(box.dataset.width) - 0.5;
      ring.y = Math.max(0, Math.min(1, (event.clientY - area.top) / area.height)) * Number(box.dataset.height) - 0.5;
      ring.set = ring.own = true;
      drawRing(box);
    };
    picture.onpointerdown = (event) => { held = true; picture.setPointerCapture(event.pointerId); to(event); };
    picture.onpointermove = (event) => { if (held) to(event); };
    picture.onpointerup = picture.onpointercancel = () => { held = false; };
    slider.oninput = () => { ring.across = Number(slider.value); ring.own = true; ring.sized = true; drawRing(box); };
    drawRing(box);
  }

  function drawRing(box) {
    const group = $(".ring", box), row = $(".width-row", box), section = $("rect.section", box);
    group.toggleAttribute("hidden", !ring.set);
    row.toggleAttribute("hidden", !ring.set);
    if (section) section.toggleAttribute("hidden", ring.own);
    for (const circle of $$("circle", group)) {
      circle.setAttribute("cx", ring.x.toFixed(1));
      circle.setAttribute("cy", ring.y.toFixed(1));
      circle.setAttribute("r", (ring.across / 2).toFixed(1));
    }
    const legend = $(".legend", box);
    if (legend) legend.toggleAttribute("hidden", !ring.set);
    const slider = $("#ring-size", box), output = $("output", row);
    slider.value = ring.across;
    output.textContent = Math.round(ring.across) + " px";
    const away = $("#go-unmark");
    if (away) away.hidden = !ring.set;
  }

  function markByKey(event) {
    const steps = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    const box = $(".marking");
    if (!ring || !box) return;
    const by = (event.shiftKey ? 0.002 : 0.012) * Number(box.dataset.width);
    if (steps[event.key]) {
      ring.x = Math.max(0, Math.min(Number(box.dataset.width) - 1, ring.x + by * steps[event.key][0]));
      ring.y = Math.max(0, Math.min(Number(box.dataset.height) - 1, ring.y + by * steps[event.key][1]));
    } else if (event.key === "+" || event.key === "=") ring.across *= 1.08;
    else if (event.key === "-") ring.across /= 1.08;
    else if (event.key !== "Enter" && event.key !== " ") return;
    event.preventDefault();
    ring.set = ring.own = true;
    drawRing(box);
  }

  function unmark() {
    if (!ring) return;
    ring.set = false;
    ring.own = true;
    drawRing($(".marking"));
  }

  function marked() {
    if (!ring || !ring.set || !ring.own) return {};
    return { x: ring.x.toFixed(1), y: ring.y.toFixed(1), across: ring.across.toFixed(1) };
  }

  /* -- player and timeline ----------------------------------------------------------------------- */
  let film = null;  // {video, data, key}

  function wakePlayer() {
    const video = $("#film"), holder = $(".timeline .data"), slider = $("#time");
    if (!holder || !slider) { film = null; return; }
    if (film && film.holder === holder && film.text === holder.textContent && film.video === video) return;
    const data = JSON.parse(holder.textContent);
    film = { video, data, holder, text: holder.textContent, slider, drawn: -1, outline: true };
    slider.oninput = () => {
      const at = Number(slider.value);
      if (video) { video.pause(); video.currentTime = at; }
      show(at);
    };
    if (video) {
      video.onplay = video.onpause = () => {
        const button = $("[data-play]");
        if (button) button.firstElementChild.textContent = video.paused ? button.dataset.off : button.dataset.on;
        if (!video.paused) follow();
      };
      video.onseeked = () => show(video.currentTime);
      const from = data.peak === null ? data.begin : data.peak;
      const begin = () => { video.currentTime = from; show(from); };
      if (video.readyState >= 1) begin(); else video.onloadedmetadata = begin;
    }
    show(data.peak === null ? data.begin : data.peak);
  }

  function follow() {
    if (!film || !film.video || film.video.paused) return;
    show(film.video.currentTime);
    requestAnimationFrame(follow);
  }

  function nearest(times, at) {
    let low = 0, high = times.length - 1;
    while (low < high) { const middle = (low + high) >> 1; if (times[middle] < at) low = middle + 1; else high = middle; }
    return low > 0 && at - times[low - 1] < times[low] - at ? low - 1 : low;
  }

  /* the picture's own reading, or that of one a tenth of a second away */
  function read(data, at) {
    const here = nearest(data.t, at);
    if (data.o[here] !== null) return here;
    for (let by = 1; by < 6; by += 1)
      for (const i of [here - by, here + by])
        if (i >= 0 && i < data.t.length && data.o[i] !== null && Math.abs(data.t[i] - at) < 0.13) return i;
    return here;
  }

  function show(at) {
    const data = film.data, span = Math.max(0.01, data.end - data.begin);
    const share = Math.max(0, Math.min(1, (at - data.begin) / span));
    film.slider.value = at;
    const cursor = $(".track .cursor");
    if (cursor) cursor.style.left = (100 * share).toFixed(2) + "%";
    const i = read(data, at), words = data.words;
    const whole = (value) => value === null || value === undefined ? words.open : Math.round(value);
    let text = data.o[i] === null
      ? words.blank.replace("{t}", at.toFixed(1))
      : words.read.replace("{t}", data.t[i].toFixed(1)).replace("{value}", whole(data.o[i]))
        .replace("{low}", whole(data.lo[i])).replace("{high}", whole(data.hi[i]));
    if (data.c[i]) text += " · " + words.colour.replace("{colour}", words[data.c[i]]).replace("{weight}", data.w[i]);
    const now = $("#now");
    if (now) now.textContent = text.replaceAll(" %", "\u00a0%");
    film.slider.setAttribute("aria-valuetext", text);
    const rows = data.outlines;
    if (!film.video || !rows.length) return;
    const k = nearest(rows.map ? (film.times || (film.times = rows.map((row) => row[0]))) : [], at);
    const near = Math.abs(rows[k][0] - at) < 0.3 && film.outline;
    const path = near ? rows[k][1].map((flat) => {
      let text = "M";
      for (let j = 0; j < flat.length; j += 2) text += flat[j] + " " + flat[j + 1] + (j + 2 < flat.length ? "L" : "Z");
      return text;
    }).join("") : "";
    for (const line of $$(".screen path.plume")) line.setAttribute("d", path);
  }

  function playOrPause() { if (film && film.video) { if (film.video.paused) film.video.play(); else film.video.pause(); } }
  function stepBy(n) {
    if (!film || !film.video) return;
    film.video.pause();
    film.video.currentTime = Math.max(0, film.video.currentTime + n * 0.04);
  }
  function toPeak() {
    if (!film || film.data.peak === null) return;
    if (film.video) { film.video.pause(); film.video.currentTime = film.data.peak; }
    show(film.data.peak);
  }
  function toggleOutline(button) {
    if (!film) return;
    film.outline = !film.outline;
    button.setAttribute("aria-pressed", String(film.outline));
    show(film.video ? film.video.currentTime : film.data.begin);
  }

  /* -- two clips on one clock ----------------------------------------------------------------------- */
  function wakePair() {
    const slider = $("#both-time");
    if (!slider) return;
    slider.oninput = () => { pauseBoth(); both(Number(slider.value)); };
    for (const video of pair()) {
      if (video.dataset.awake === video.src) continue;
      video.dataset.awake = video.src;
      const begin = () => { video.currentTime = Math.max(0, Number(slider.value) + Number(video.dataset.shift)); };
      if (video.readyState >= 1) begin(); else video.addEventListener("loadedmetadata", begin, { once: true });
    }
  }
  function pair() { return $$(".pair video"); }
  function both(at) {
    const slider = $("#both-time");
    slider.value = at;
    slider.parentElement.querySelector("output").textContent = at.toFixed(1) + " s";
    for (const video of pair()) {
      const to = Math.max(0, at + Number(video.dataset.shift));
      if (video.paused) video.currentTime = to;
    }
  }
  function pauseBoth() {
    for (const video of pair()) video.pause();
    const button = $("[data-play-both]");
    if (button) button.firstElementChild.textContent = button.dataset.off;
  }
  function playBoth(button) {
    const videos = pair(), slider = $("#both-time");
    if (!videos.length) return;
    if (!videos[0].paused) return pauseBoth();
    let at = Number(slider.value);
    if (at >= Number(slider.max) - 0.1) at = Number(slider.min);
    for (const video of videos) { video.currentTime = Math.max(0, at + Number(video.dataset.shift)); video.play(); }
    button.firstElementChild.textContent = button.dataset.on;
    const step = () => {
      if (videos[0].paused) return pauseBoth();
      const now = videos[0].currentTime - Number(videos[0].dataset.shift);
      slider.value = now;
      slider.parentElement.querySelector("output").textContent = now.toFixed(1) + " s";
      if (now >= Number(slider.max)) return pauseBoth();
      requestAnimationFrame(step);
    };
    requestAnimationFrame(step);
  }

  /* -- small things ---------------------------------------------------------------------------------- */
  function copy(button) {
    const from = $("#" + button.dataset.copy);
    from.select();
    const done = () => { button.firstElementChild.textContent = button.dataset.done; };
    if (navigator.clipboard && window.isSecureContext) navigator.clipboard.writeText(from.value).then(done, () => { document.execCommand("copy"); done(); });
    else { document.execCommand("copy"); done(); }
  }

  function start(element, trigger, watch) {
    root = element;
    send = trigger;
    root.addEventListener("click", tapped);
    root.addEventListener("change", changed);
    root.addEventListener("keydown", keyed);
    root.addEventListener("toggle", keepOpen, true);  // it does not bubble
    root.addEventListener("input", keepTyped);
    root.addEventListener("focusin", keepFocus);
    window.addEventListener("popstate", () => act(Object.assign(
      { do: "go", case: "", step: "", clip: "", other: "", about: "", trial: "" },
      Object.fromEntries(new URLSearchParams(location.search)))));
    watch("value", settled);
    settled();
  }
  return { start, waits: () => asked !== null };
})();
