// Asks the browser for a passkey before a form is sent: makes one, or has one sign what is confirmed. What is asked for comes
// from the server, and the answer goes back in the form; the server alone says whether it holds. Without this script, or in a
// browser that has no passkeys, the page says what else can be done.
"use strict";
(() => {
  if (!window.PublicKeyCredential || !navigator.credentials || !window.fetch) return;
  document.documentElement.dataset.passkeys = "yes"; // the style sheet shows the buttons by it
  // A passkey belongs to a domain (WebAuthn Level 2 §5.1.3): of a page that was opened by a number no browser gives one.
  const numbered = /^[\d.]+$|^\[/.test(location.hostname);
  let busy = false;

  const bytes = (text) =>
    Uint8Array.from(atob(text.replace(/-/g, "+").replace(/_/g, "/")), (sign) => sign.charCodeAt(0));
  const text = (buffer) =>
    btoa(String.fromCharCode(...new Uint8Array(buffer))).replace(/\+/g, "-").replace(/\//g, "_").replace(/=+$/, "");
  const keys = (rows) => (rows || []).map((row) => ({ ...row, id: bytes(row.id) }));

  async function made(asked) {
    const publicKey = {
      ...asked,
      challenge: bytes(asked.challenge),
      user: { ...asked.user, id: bytes(asked.user.id) },
      excludeCredentials: keys(asked.excludeCredentials),
    };
    return navigator.credentials.create({ publicKey });
  }

  async function signed(asked) {
    const publicKey = { ...asked, challenge: bytes(asked.challenge), allowCredentials: keys(asked.allowCredentials) };
    return navigator.credentials.get({ publicKey });
  }

  function told(credential) {
    const response = {};
    for (const name of ["clientDataJSON", "attestationObject", "authenticatorData", "signature", "userHandle"]) {
      if (credential.response[name]) response[name] = text(credential.response[name]);
    }
    return JSON.stringify({
      id: credential.id,
      rawId: text(credential.rawId),
      type: credential.type,
      response,
      clientExtensionResults: {},
    });
  }

  async function ask(form) {
    const body = new URLSearchParams();
    for (const name of ["form-token", "name", "password"]) {
      if (form.elements[name]) body.append(name, form.elements[name].value);
    }
    const answer = await fetch(form.dataset.passkeyBegin, { method: "POST", body, redirect: "error", cache: "no-store" });
    let read;
    try { read = await answer.json(); } catch { throw new Error("The page did not answer as it should. Load it again."); }
    if (read["form-token"]) {
      // The password was given again, which begins a new session; forms are tied to it.
      for (const field of document.querySelectorAll("input[name=form-token]")) field.value = read["form-token"];
    }
    if (read.wrong) throw new Error(read.wrong);
    return read.create ? made(read.create) : signed(read.get);
  }

  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (!form.dataset.passkeyBegin) return;
    event.preventDefault();
    if (busy) return;
    const words = form.querySelector("[data-passkey-words]");
    if (numbered) {
      words.textContent = "Nothing was done. Open the page by its name: passkeys belong to a name, not to a number.";
      return;
    }
    busy = true;
    words.textContent = "Your browser asks for the passkey now.";
    try {
      form.querySelector("[data-passkey-answer]").value = told(await ask(form));
      if (form.elements.password) form.elements.password.value = "";
      words.textContent = "Sent.";
      form.submit();
    } catch (wrong) {
      // What the browser says of it (DOMException) is the same for every reason, so that nothing is given away.
      words.textContent = wrong instanceof DOMException
        ? "The browser has not given a passkey, so nothing was done. Try again, with the phone, computer or key that holds it."
        : `Nothing was done: ${wrong.message}`;
    } finally {
      busy = false;
    }
  });
})();
