// What the table's server is asked for. Every address is relative to the page's own, which holds the token.

export class Refusal extends Error {
  constructor(status, body) { super(body.error || `the table answers ${status}`); this.status = status; this.body = body; }
}

async function ask(path, options) {
  let answer;
  try {
    answer = await fetch(path, options);
  } catch (e) {
    if (e.name === "AbortError") throw e;
    throw new Refusal(0, { error: "the table does not answer: is pochoir still running?" });
  }
  if (!answer.ok) {
    const body = await answer.json().catch(() => ({}));
    throw new Refusal(answer.status, body);
  }
  return answer;
}

export const get = async (path) => (await ask(path)).json();
export const post = async (path, body, signal) =>
  (await ask(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body), signal })).json();
export const postRaw = async (path, body) => (await ask(path, { method: "POST", body })).json();

// Pixels of the clean sheet, as a bitmap and one of half the size for looking at from afar.
export async function sheetBitmaps(id) {
  const answer = await ask(`api/pictures/${id}/sheet`);
  const w = +answer.headers.get("X-Width"), h = +answer.headers.get("X-Height");
  const data = new ImageData(new Uint8ClampedArray(await answer.arrayBuffer()), w, h);
  const whole = await createImageBitmap(data);
  const small = w * h > 1e6 ? await createImageBitmap(whole, { resizeWidth: Math.ceil(w / 3), resizeHeight: Math.ceil(h / 3), resizeQuality: "high" }) : null;
  return { whole, small, w, h };
}

export async function takenBitmap(id) {
  return createImageBitmap(await (await ask(`api/pictures/${id}/taken`)).blob());
}

export function listen(onEvent, onLost) {
  const s = new EventSource("api/events");
  s.onmessage = (m) => onEvent(JSON.parse(m.data));
  s.onerror = () => onLost();
}
