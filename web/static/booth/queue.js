// Votes on their way: written down in this browser before they are sent, crossed out once the
// server has them. A vote keeps its id however often it is sent, so it counts once.

const DATABASE = "listening";
const STORE = "votes";
const PATIENCE_MS = 10_000;

// All votes of one link, in the order they were given.
export class Queue extends EventTarget {
  #link;
  #shelf;
  #sending = null;
  #waiting = null;
  #delay = 1000;

  constructor(link) {
    super();
    this.#link = link;
    this.#shelf = shelf();
    addEventListener("online", () => this.#now());
  }

  async add(vote) {
    const kept = await this.#shelf;
    await kept.put(vote.client_id, { ...vote, link: this.#link, at: Date.now() });
    this.#now();
  }

  async unsent() {
    const kept = await this.#shelf;
    const mine = (await kept.all()).filter((vote) => vote.link === this.#link);
    return mine.sort((a, b) => a.trial - b.trial || a.at - b.at);
  }

  // Sends what waits; resolves when nothing does, or when the network is away.
  flush() {
    clearTimeout(this.#waiting);
    this.#sending ??= this.#send().finally(() => {
      this.#sending = null;
    });
    return this.#sending;
  }

  #now() {
    this.#delay = 1000;
    // Whatever is under way may have looked before this vote was written down: look again after.
    (this.#sending ?? Promise.resolve()).then(() => this.flush());
  }

  async #send() {
    const kept = await this.#shelf;
    for (const vote of await this.unsent()) {
      const outcome = await this.#post(vote);
      if (outcome === "away") {
        this.#tell("waiting");
        this.#waiting = setTimeout(() => this.flush(), this.#delay);
        this.#delay = Math.min(30_000, this.#delay * 2);
        return;
      }
      await kept.remove(vote.client_id);
      this.#delay = 1000;
      if (outcome === "refused") this.#tell("refused");
    }
    this.#tell("saved");
  }

  async #post({ client_id, trial, answer, plays, seconds, notes, reason, ticked }) {
    this.#tell("sending");
    let answered;
    try {
      answered = await fetch(`${this.#link}/vote`, {
        method: "POST",
        headers: { "Content-Type": "application/json", Accept: "application/json" },
        body: JSON.stringify({ client_id, trial, answer, plays, seconds, notes, reason, ticked }),
        keepalive: true,
        // A server that takes the connection and stays silent is as good as none; sending again
        // is safe.
        signal: AbortSignal.timeout(PATIENCE_MS),
      });
    } catch {
      return "away";
    }
    if (answered.ok) return "saved";
    // The server is ill, or asks for patience: the vote stays here until it is taken.
    if (answered.status >= 500 || answered.status === 429 || answered.status === 408) return "away";
    return "refused";
  }

  #tell(state) {
    this.dispatchEvent(new CustomEvent("state", { detail: state }));
  }
}

// An id for a vote: random, in the form of a UUID (version 4).
export function newId() {
  if (crypto.randomUUID) return crypto.randomUUID();
  const bytes = crypto.getRandomValues(new Uint8Array(16)); // plain http has no randomUUID
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
}

// A random number that this browser keeps for a link; it says nothing of browser or person.
export function browserMark(link) {
  const name = `browser:${link}`;
  const fresh = crypto.getRandomValues(new Uint32Array(1))[0] >>> 1;
  try {
    const kept = localStorage.getItem(name);
    if (/^[0-9]{1,10}$/.test(kept ?? "")) return Number(kept);
    localStorage.setItem(name, String(fresh));
  } catch {
    // Storage is refused: a new number for each visit.
  }
  return fresh;
}

async function shelf() {
  try {
    return await indexed();
  } catch {
    try {
      return local(); // private windows of some browsers have no database
    } catch {
      return memory(); // cookies and storage refused: votes wait as long as the page is open
    }
  }
}

function memory() {
  const votes = new Map();
  return {
    put: async (id, vote) => {
      votes.set(id, vote);
    },
    remove: async (id) => {
      votes.delete(id);
    },
    all: async () => [...votes.values()],
  };
}

async function indexed() {
  const database = await new Promise((resolve, reject) => {
    const opening = indexedDB.open(DATABASE, 1);
    opening.onupgradeneeded = () => opening.result.createObjectStore(STORE);
    opening.onsuccess = () => resolve(opening.result);
    opening.onerror = () => reject(opening.error);
    opening.onblocked = () => reject(new Error("blocked"));
  });
  const run = (mode, work) =>
    new Promise((resolve, reject) => {
      const transaction = database.transaction(STORE, mode, { durability: "strict" });
      const asked = work(transaction.objectStore(STORE));
      transaction.oncomplete = () => resolve(asked.result);
      transaction.onerror = () => reject(transaction.error);
      transaction.onabort = () => reject(transaction.error);
    });
  return {
    put: (id, vote) => run("readwrite", (store) => store.put(vote, id)),
    remove: (id) => run("readwrite", (store) => store.delete(id)),
    all: () => run("readonly", (store) => store.getAll()),
  };
}

const nameOf = (id) => `${DATABASE}:${id}`;

function local() {
  localStorage.setItem(nameOf(""), ""); // throws where storage is refused
  localStorage.removeItem(nameOf(""));
  return {
    put: async (id, vote) => localStorage.setItem(nameOf(id), JSON.stringify(vote)),
    remove: async (id) => localStorage.removeItem(nameOf(id)),
    all: async () =>
      Object.keys(localStorage)
        .filter((key) => key.startsWith(nameOf("")))
        .map((key) => JSON.parse(localStorage.getItem(key))),
  };
}
