// Everything works without this: it lets a sheet be dropped, and says that it is on its way.
"use strict";
for (const form of document.querySelectorAll("form.upload")) {
  const input = form.querySelector("input[type=file]");
  const button = form.querySelector("button");
  for (const kind of ["dragenter", "dragover"]) {
    form.addEventListener(kind, (event) => { event.preventDefault(); form.classList.add("over"); });
  }
  for (const kind of ["dragleave", "drop"]) {
    form.addEventListener(kind, () => form.classList.remove("over"));
  }
  form.addEventListener("drop", (event) => {
    event.preventDefault();
    if (event.dataTransfer.files.length) {
      input.files = event.dataTransfer.files;
      form.requestSubmit();
    }
  });
  form.addEventListener("submit", () => {
    button.textContent = "On its way…";
    button.setAttribute("aria-busy", "true");
  });
}
for (const box of document.querySelectorAll("input[data-all]")) {
  box.addEventListener("change", () => {
    for (const other of document.querySelectorAll("input[name=pick]")) { other.checked = box.checked; }
  });
}
