// The one place that talks to the server.
export class Refused extends Error {}

async function call(method, path, body, extra = {}) {
  const options = { method, headers: {}, ...extra };
  if (body instanceof Blob || body instanceof ArrayBuffer || ArrayBuffer.isView(body)) options.body = body;
  else if (body !== undefined) {
    options.body = JSON.stringify(body);
    options.headers["content-type"] = "application/json";
  }
  const answer = await fetch(path, options);
  const text = await answer.text();
  let content = {};
  try {
    content = text ? JSON.parse(text) : {};
  } catch {
    content = { detail: text.slice(0, 200) };
  }
  if (!answer.ok) {
    const detail = Array.isArray(content.detail) ? content.detail.map((d) => d.msg).join("; ") : content.detail;
    const error = new Refused(detail || `The server answered ${answer.status}.`);
    error.status = answer.status;
    throw error;
  }
  return content;
}

export const get = (path) => call("GET", path);
export const post = (path, body = {}) => call("POST", path, body);
export const put = (path, body, extra) => call("PUT", path, body, extra);
export const remove = (path) => call("DELETE", path);

export function upload(file, onProgress) {
  // XMLHttpRequest, since fetch tells nothing about how far an upload is.
  return new Promise((resolve, reject) => {
    const request = new XMLHttpRequest();
    request.open("POST", `/api/uploads?name=${encodeURIComponent(file.name)}`);
    request.upload.addEventListener("progress", (e) => e.lengthComputable && onProgress(e.loaded, e.total));
    request.addEventListener("error", () => reject(new Refused("The file did not arrive; is the server still running?")));
    request.addEventListener("load", () => {
      let content = {};
      try {
        content = JSON.parse(request.responseText);
      } catch {
        // An answer that is no JSON is a refusal all the same.
      }
      if (request.status < 300) resolve(content);
      else reject(new Refused(content.detail || `The server answered ${request.status}.`));
    });
    request.send(file);
  });
}
