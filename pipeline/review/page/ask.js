// What goes to the server and comes back, and what is said of it.

export const make = (name, attributes = {}, ...inside) => {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === false || value === null || value === undefined) continue;
    element.setAttribute(key, value === true ? "" : value);
  }
  element.append(...inside);
  return element;
};

export const draw = (name, attributes = {}, ...inside) => {
  const element = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  element.append(...inside);
  return element;
};

export const say = (text) => { document.getElementById("said").textContent = text; };

const answered = async (response) => {
  if (response.ok) return response;
  let told = "the server did not understand";
  try { told = (await response.json()).problem; } catch { /* Not ours: the status says enough. */ }
  throw new Error(told);
};

const reached = async (path, options) => {
  try {
    return await fetch(path, options);
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Error("evenroll does not answer; start it again and open the address that it prints");
  }
};

export const ask = async (path, options = {}) => answered(await reached(path, options));

export const askFor = async (path, options) => (await ask(path, options)).json();

export const tell = async (deed, body = {}) => {
  const response = await answered(await reached(deed, {
    method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body),
  }));
  return response.json();
};

// The newest of several requests counts; those before it are dropped.
export class Newest {
  #abort = null;

  async run(path) {
    this.#abort?.abort();
    const own = new AbortController();
    this.#abort = own;
    try {
      const response = await ask(path, { signal: own.signal });
      const blob = await response.blob();
      return this.#abort === own ? blob : null;
    } catch (error) {
      if (error.name === "AbortError") return null;
      throw error;
    }
  }
}
