// Talks with the server: state, changes (one at a time, the latest value of each wins), events.

export async function fetchJson(path, options) {
  const answer = await fetch(path, options);
  const told = await answer.json().catch(() => ({}));
  if (!answer.ok) throw new Refused(told.faults ?? [{ what: `the server answered ${answer.status}` }]);
  return told;
}

export class Refused extends Error {
  constructor(faults) {
    super(faults.map((f) => [f.where ? `${f.where}: ${f.what}` : f.what, f.found && `found: ${f.found}`,
      f.allowed && `allowed: ${f.allowed}`, f.next && `next: ${f.next}`].filter(Boolean).join("\n   ")).join("\n"));
    this.faults = faults;
  }
}

export class Talk extends EventTarget {
  #waiting = new Map();
  #gesture = "";
  #running = null;

  async state() {
    const state = await fetchJson("state");
    this.dispatchEvent(new CustomEvent("state", { detail: state }));
    return state;
  }

  async act(what) {
    try {
      const state = await fetchJson("act", { method: "POST", body: JSON.stringify(what) });
      this.dispatchEvent(new CustomEvent("state", { detail: state }));
      return state;
    } catch (error) {
      this.dispatchEvent(new CustomEvent("refused", { detail: error }));
      return null;
    }
  }

  // Values change quickly under the wheel: what is asked while one change is under way goes out together after it.
  set(values, gesture = "") {
    for (const [at, value] of Object.entries(values)) this.#waiting.set(at, value);
    this.#gesture = gesture;
    this.#running ??= this.#send().finally(() => { this.#running = null; });
    return this.#running;
  }

  async #send() {
    while (this.#waiting.size) {
      const values = Object.fromEntries(this.#waiting);
      this.#waiting.clear();
      await this.act({ do: "set", values, gesture: this.#gesture });
    }
  }

  listen() {
    const source = new EventSource("events");
    source.onmessage = (message) => this.dispatchEvent(new CustomEvent("told", { detail: JSON.parse(message.data) }));
    source.onopen = () => this.dispatchEvent(new CustomEvent("line", { detail: true }));
    source.onerror = () => this.dispatchEvent(new CustomEvent("line", { detail: false }));
  }
}
