// SPDX-License-Identifier: GPL-3.0-or-later
//
// The bench's HTTP interface. What fails is thrown as a Problem with a sentence
// to show.

const ROOT = '/api/v1/';
const PATIENCE_MS = 8000;
const URGENT = { credentials: 'omit', keepalive: true, priority: 'high' };
const CODE_KEY = 'bench.access-code';

export class Problem extends Error {
  constructor(message, status = 0, field = null) {
    super(message);
    this.status = status; // 0: no answer at all
    this.field = field;
  }
}

export function setAccessCode(code) {
  sessionStorage.setItem(CODE_KEY, code);
}

export function get(path) {
  return ask('GET', path);
}

// urgent: it waits for nothing else that is asked. Six connections to a host are all a
// browser makes on HTTP/1.1, each tab's live stream takes one, and what is asked behind
// six that wait, waits. What is sent without the browser's own credentials (there are
// none here; the access code is ours) has connections of its own. It also goes on
// where the page is left right after.
// patience_ms: how long an answer may take.
export function put(path, body, { urgent = false, patience_ms = PATIENCE_MS } = {}) {
  return ask('PUT', path, body, { patience_ms, ...(urgent ? URGENT : {}) });
}

export function post(path, body) {
  return ask('POST', path, body);
}

// A blob as it is, with its own media type.
export function send(path, blob) {
  return ask('POST', path, blob);
}

async function ask(method, path, body, { patience_ms = PATIENCE_MS, ...how } = {}) {
  const headers = { Accept: 'application/json' };
  const code = sessionStorage.getItem(CODE_KEY);
  const plain = body instanceof Blob;
  if (code) headers.Authorization = `Bearer ${code}`;
  if (body !== undefined) headers['Content-Type'] = plain ? body.type : 'application/json';
  let answer;
  let text;
  try {
    answer = await fetch(ROOT + path, {
      method,
      headers,
      body: body === undefined || plain ? body : JSON.stringify(body),
      cache: 'no-store',
      signal: AbortSignal.timeout(patience_ms),
      ...how,
    });
    text = await answer.text();
  } catch (cause) {
    throw new Problem(`The bench did not answer (${cause.message}).`);
  }
  const content = parse(text);
  if (!answer.ok) {
    const detail = content?.detail ?? content?.title ?? `answer ${answer.status}`;
    throw new Problem(detail, answer.status, content?.field ?? null);
  }
  if (content === undefined) throw new Problem(`${path}: the answer is not JSON.`, answer.status);
  return content;
}

function parse(text) {
  try {
    return JSON.parse(text);
  } catch {
    return undefined;
  }
}
