// What is kept on this device (IndexedDB): who it is, the trial being played, its sheets, and what waits to be sent.
//
// kept     one thing by name: device, place, trial
// sheets   one sheet a place in the order, with what stands on the screen and what was made ready to send last
// waiting  what was made ready and is not acknowledged yet, in the order in which it was made

const STORES = ["kept", "sheets", "waiting"];

const asked = (request) => new Promise((done, failed) => {
  request.onsuccess = () => done(request.result);
  request.onerror = () => failed(request.error);
});

/** Open the database of a name, made where it is not there yet. */
export async function openStore(name) {
  const request = indexedDB.open(name, 1);
  request.onupgradeneeded = () => {
    const made = request.result;
    made.createObjectStore("kept");
    made.createObjectStore("sheets", { keyPath: "run" }).createIndex("place", ["trial", "position", "rater"], { unique: true });
    made.createObjectStore("waiting", { keyPath: "number", autoIncrement: true });
  };
  const database = await asked(request);
  // Another tab with a later version of the tables must not be kept waiting by this one.
  database.onversionchange = () => database.close();
  return new Store(database, name);
}

class Store {
  constructor(database, name) {
    this.database = database;
    this.name = name;
  }

  /** Run `body` in one transaction; what it changes is on the disk when the promise is kept, or not at all. */
  async within(mode, body) {
    // Strict: the disk itself has it, not only the operating system, should the battery run flat.
    const transaction = this.database.transaction(STORES, mode, { durability: "strict" });
    const ended = new Promise((done, failed) => {
      transaction.oncomplete = done;
      transaction.onabort = () => failed(transaction.error ?? new DOMException("aborted", "AbortError"));
    });
    ended.catch(() => undefined);  // told below, where it is waited for
    const stores = Object.fromEntries(STORES.map((store) => [store, transaction.objectStore(store)]));
    const result = await body(stores);
    await ended;
    return result;
  }

  get(key) {
    return this.within("readonly", ({ kept }) => asked(kept.get(key)));
  }

  put(key, value) {
    return this.within("readwrite", ({ kept }) => asked(kept.put(value, key)));
  }

  waiting() {
    return this.within("readonly", ({ waiting }) => asked(waiting.getAll()));
  }

  /** Take away what was acknowledged. */
  acknowledged(number) {
    return this.within("readwrite", ({ waiting }) => asked(waiting.delete(number)));
  }

  /** Note why something that waits was not taken; it goes on waiting. */
  refused(number, reason) {
    return this.within("readwrite", async ({ waiting }) => {
      const item = await asked(waiting.get(number));
      if (item) await asked(waiting.put({ ...item, refused: reason }));
    });
  }

  wait(item) {
    return this.within("readwrite", ({ waiting }) => asked(waiting.add(item)));
  }

  /** Return the sheet of a place in the order, begun where there is none; two tabs get the same one. */
  sheet(trial, rater, slot) {
    return this.within("readwrite", async ({ sheets }) => {
      const known = await asked(sheets.index("place").get([trial, slot.position, rater]));
      if (known) return known;
      const begun = {
        run: crypto.randomUUID(), trial, rater, position: slot.position, letter: slot.letter,
        ratings: {}, note: "", strokes: [], revision: 0, ready: null,
      };
      await asked(sheets.add(begun));
      return begun;
    });
  }

  /** Keep what stands on the screen, before it is made ready to send. */
  draft(run, ratings, note) {
    return this.within("readwrite", async ({ sheets }) => {
      const sheet = await asked(sheets.get(run));
      if (sheet) await asked(sheets.put({ ...sheet, ratings, note }));
    });
  }

  /** Keep how a bow's strokes are marked, likewise. */
  strokes(run, strokes) {
    return this.within("readwrite", async ({ sheets }) => {
      const sheet = await asked(sheets.get(run));
      if (sheet) await asked(sheets.put({ ...sheet, strokes }));
    });
  }

  /** Make a sheet ready to send, as a new revision where anything changed since the last one. */
  ready(run) {
    return this.within("readwrite", async (stores) => makeReady(stores, await asked(stores.sheets.get(run))));
  }

  /** End a trial here: what was rated is made ready to send, then nothing of it stays but what waits. */
  end(trial) {
    return this.within("readwrite", async (stores) => {
      for (const sheet of await asked(stores.sheets.getAll())) {
        if (sheet.trial === trial) {
          await makeReady(stores, sheet);
          await asked(stores.sheets.delete(sheet.run));
        }
      }
      await asked(stores.kept.delete("trial"));
      await asked(stores.kept.delete("place"));
    });
  }
}

async function makeReady({ kept, sheets, waiting }, sheet) {
  const strokes = sheet?.strokes?.some(Boolean) ? [sheet.strokes] : [];
  if (!sheet || !Object.keys(sheet.ratings).length && !strokes.length) return;
  const told = JSON.stringify([Object.entries(sheet.ratings).sort(), sheet.note, ...strokes]);
  if (told === sheet.ready) return;
  const revision = sheet.revision + 1;
  const { run, trial, position, letter, rater, ratings, note } = sheet;
  const body = { revision, position, letter, rater, ratings, note: note || null, rated_at: new Date().toISOString() };
  if (strokes.length) [body.strokes] = strokes;
  const place = await asked(kept.get("place"));
  if (place?.trial === trial && place.mayHelp !== undefined) body.model_consent = place.mayHelp;
  await asked(sheets.put({ ...sheet, revision, ready: told }));
  await asked(waiting.add({ kind: "sheet", trial, id: run, body }));
}
