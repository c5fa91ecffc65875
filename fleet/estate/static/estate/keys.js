// Shows the button for a key only where the browser can use one.
if (window.PublicKeyCredential) document.getElementById('passkey_login').hidden = false
