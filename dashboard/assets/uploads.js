// Sends chosen or dropped files to this computer's own server, piece by piece, each at the place where the file ends there:
// what was cut off goes on. Nothing is held in memory but the piece that is on its way.
"use strict";

(function () {
  const AGAIN_MS = [400, 1000, 2000, 4000, 8000];
  const MB = 1e6;

  // What the server has refused, in its words; `again`: it may be tried again later.
  class Refused extends Error {
    constructor(said, again) {
      super(said);
      this.again = again;
    }
  }

  const wait = (ms) => new Promise((go) => {
    const timer = window.setTimeout(go, ms);
    window.addEventListener("online", () => (window.clearTimeout(timer), go()), { once: true });
  });

  // A folder that was dropped, as the files in it, each with its way there as name.
  async function inside(entry) {
    if (entry.isFile) {
      const file = await new Promise((done, failed) => entry.file(done, failed));
      return [{ file, name: entry.fullPath.replace(/^\//, "") }];
    }
    const reader = entry.createReader(), found = [];
    for (;;) {
      const some = await new Promise((done, failed) => reader.readEntries(done, failed));
      if (!some.length) return found;
      for (const one of some) found.push(...(await inside(one)));
    }
  }

  function begin(root) {
    const facts = JSON.parse(root.dataset.facts), part = (name) => root.querySelector(`.upload-${name}`);
    const bar = root.querySelector("[role=progressbar]");
    let files = [], turn = 0, going = false, owed = [];

    function say(text) {
      if (part("said").textContent !== text) part("said").textContent = text;
    }

    function show() {
      const all = files.reduce((sum, f) => sum + f.file.size, 0), there = files.reduce((sum, f) => sum + f.offset, 0);
      const percent = all ? Math.floor((100 * there) / all) : 100, at = files.find((f) => f.offset < f.file.size);
      const far = `${(there / MB).toFixed(1)} of ${(all / MB).toFixed(1)} MB${at && files.length > 1 ? ` · ${at.name}` : ""}`;
      bar.firstElementChild.style.width = `${percent}%`;
      bar.setAttribute("aria-valuenow", percent);
      bar.setAttribute("aria-valuetext", far);
      part("far").textContent = far;
      part("stop").textContent = going ? "Stop" : "Go on";
    }

    // One question to the server; a lost connection is waited for, as long as this choice of files is the last one.
    async function ask(mine, address, told) {
      for (let n = 0; mine === turn && root.isConnected; n++) {
        const answer = await fetch(address, told).catch(() => null);
        const said = answer && (await answer.json().catch(() => null));
        if (mine !== turn) break;
        if (said && (answer.ok || answer.status === 409)) return say(""), said;
        if (said) throw new Refused(said.said, answer.status === 507);
        if (answer && answer.status < 500) throw new Refused("That was not taken. Load the page again", true);
        say("The connection is lost. It goes on by itself as soon as it is back.");
        await wait(AGAIN_MS[Math.min(n, AGAIN_MS.length - 1)]);
      }
      throw new Refused("", true);
    }

    async function sent(mine, one) {
      const told = { name: one.name, size: one.file.size, modified: String(one.file.lastModified) };
      const head = { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(told) };
      Object.assign(one, await ask(mine, facts.begin, head));
      while (one.offset < one.file.size) {
        show();
        const piece = await one.file.slice(one.offset, one.offset + facts.piece).arrayBuffer().catch(() => {
          throw new Refused(`${one.name} can no longer be read. Choose it again`, false);
        });
        const headers = { "Content-Type": "application/partial-upload", [facts.offset]: String(one.offset) };
        one.offset = (await ask(mine, `${facts.begin}/${one.id}`, { method: "PATCH", headers, body: piece })).offset;
      }
    }

    async function go() {
      const mine = ++turn;
      going = true;
      part("way").hidden = false;
      try {
        for (const one of files) await sent(mine, one);
        const ids = new Set(files.map((f) => f.id));
        for (const id of owed.filter((id) => !ids.has(id))) fetch(`${facts.begin}/${id}`, { method: "DELETE" }).catch(() => null);
        owed = [...ids];
        part("way").hidden = true;
        say("");
        window.dash_clientside.set_props(facts.store, { data: { files: files.map(({ id, name }) => ({ id, name })) } });
      } catch (error) {
        if (mine !== turn) return;
        if (!(error instanceof Refused)) throw error;
        say(error.message && `${error.message.replace(/\.$/, "")}.`);
        part("way").hidden = !error.again;
      } finally {
        if (mine === turn) going = false, show();
      }
    }

    // Files as they were chosen; out of a folder only what may be a table.
    function take(chosen) {
      const wanted = chosen.filter(({ name }) => !name.includes("/") || facts.endings.some((e) => name.toLowerCase().endsWith(e)));
      if (!wanted.length) return say(chosen.length ? "There is no table in that folder." : "");
      files = wanted.map((one) => ({ ...one, offset: 0 })).sort((a, b) => (a.name < b.name ? -1 : 1));
      go();
    }

    function field(press, folder) {
      const made = document.createElement("input");
      Object.assign(made, { type: "file", multiple: true, hidden: true, webkitdirectory: folder });
      made.addEventListener("change", function () {
        const chosen = [...made.files].map((file) => ({ file, name: file.webkitRelativePath || file.name }));
        made.value = "";
        take(chosen);
      });
      root.append(made);
      press.addEventListener("click", () => made.click());
    }

    field(part("files"), false);
    field(part("folder"), true);
    part("stop").addEventListener("click", function () {
      if (!going) return go();
      turn++;
      going = false;
      say("Stopped. What has come stays; it goes on where it stopped.");
      show();
    });
    for (const [name, over] of [["dragover", true], ["dragleave", false], ["drop", false]]) {
      root.addEventListener(name, function (event) {
        event.preventDefault();
        root.classList.toggle("over", over);
      });
    }
    root.addEventListener("drop", async function (event) {
      const entries = [...event.dataTransfer.items].map((item) => item.webkitGetAsEntry()).filter(Boolean);
      const found = await Promise.all(entries.map(inside)).catch(() => null);
      if (found) take(found.flat());
      else say("What was dropped cannot be read. Choose it by its button.");
    });
  }

  const known = new WeakSet();
  new MutationObserver(function () {
    const root = document.querySelector(".bring-drop[data-facts]");
    if (root && !known.has(root)) known.add(root), begin(root);
  }).observe(document.documentElement, { childList: true, subtree: true });
})();
