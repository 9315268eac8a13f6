// What waits, as a file: authenticated with the tablet's own key, so that the desk can tell that nothing in it was changed.

const FORMAT = "waiting sheets, 1";
const text = new TextEncoder();

/** Return the tablet's key for files as the browser keeps it: it signs, but no script can read it out. */
export function fileKey(secret) {
  return crypto.subtle.importKey("raw", text.encode(secret), { name: "HMAC", hash: "SHA-256" }, false, ["sign"]);
}

/** Save what waits; returns the file's name, or null where nothing waits. */
export async function save(store, device) {
  const items = await store.waiting();
  if (!items.length) return null;
  const saved_at = new Date().toISOString();
  const content = JSON.stringify(items.map(({ kind, trial, id, body }) => ({ kind, trial, id, body })));
  const signed = text.encode([FORMAT, device.id, saved_at, content].join("\n"));
  const mac = new Uint8Array(await crypto.subtle.sign("HMAC", device.fileKey, signed));
  const hmac = [...mac].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  const file = JSON.stringify({ format: FORMAT, tablet: device.id, saved_at, content, hmac }, null, 1);
  const name = `waiting-sheets-${saved_at.slice(0, 19).replace(/[:T]/g, "-")}.json`;
  hand(new Blob([file], { type: "application/json" }), name);
  return name;
}

function hand(blob, name) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(blob);
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 60000);
}
