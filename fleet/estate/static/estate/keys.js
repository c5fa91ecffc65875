// Shows the button for a key where the browser can use one. What asks for the key comes after the page has been painted.
"use strict";
const button = document.getElementById("passkey_login");
let asked = false;

function fetched(address) {
  return new Promise((done, failed) => {
    const script = document.createElement("script");
    Object.assign(script, { src: address, onload: done, onerror: failed });
    document.head.append(script);
  });
}

async function prepare() {
  button.addEventListener("click", () => { asked = true; }, { once: true });
  for (const address of button.dataset.needs.split(" ")) await fetched(address);
  window.allauth.webauthn.forms.loginForm({ ids: { login: "passkey_login", credential: "mfa_credential" } });
  if (asked) button.click();
}

if (window.PublicKeyCredential) {
  button.hidden = false;
  window.addEventListener("load", prepare);
}
