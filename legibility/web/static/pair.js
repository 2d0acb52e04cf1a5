"use strict";
const code = document.getElementById("code");
const given = decodeURIComponent(location.hash.slice(1));
if (given) {
  code.value = given;
  history.replaceState(null, "", location.pathname);
}
