"use strict";
// Small records that a page opened from disk keeps in the browser, for all its tabs and once more for this one: a busy
// browser may lose either where a page is reloaded at once.
const kept = (() => {
  const STORES = ["localStorage", "sessionStorage"];
  const read = (name) => {
    for (const store of STORES) {
      try {
        const found = JSON.parse(window[store].getItem(name));
        if (found !== null) return found;
      } catch {
        continue;
      }
    }
    return null;
  };
  // Tells whether it will be there when the page is opened again.
  const write = (name, record) => {
    const held = STORES.map((store) => {
      try {
        window[store].setItem(name, JSON.stringify(record));
        return true;
      } catch {
        return false;
      }
    });
    return held[0];
  };
  return { read, write };
})();
