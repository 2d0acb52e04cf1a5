"use strict";
// Photos that the server has not acknowledged yet; they outlive the page and the connection.
const keep = (() => {
  let opened = null;
  function open() {
    opened = opened || new Promise((resolve, reject) => {
      const asked = indexedDB.open("chute", 1);
      asked.onupgradeneeded = () => asked.result.createObjectStore("photos", { keyPath: "uploadId" });
      asked.onsuccess = () => resolve(asked.result);
      asked.onerror = () => reject(asked.error);
    });
    return opened;
  }
  async function run(mode, act) {
    const db = await open();
    return new Promise((resolve, reject) => {
      const transaction = db.transaction("photos", mode);
      const asked = act(transaction.objectStore("photos"));
      transaction.oncomplete = () => resolve(asked.result);
      transaction.onerror = transaction.onabort = () => reject(transaction.error);
    });
  }
  return {
    put: (photo) => run("readwrite", (store) => store.put(photo)),
    drop: (uploadId) => run("readwrite", (store) => store.delete(uploadId)),
    all: () => run("readonly", (store) => store.getAll()),
  };
})();
