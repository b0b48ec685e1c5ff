// Buttons that copy what is shown once, such as a new password. Without scripts they are not there.

for (const shown of document.querySelectorAll("[data-copy]")) {
  if (!navigator.clipboard) {
    break;
  }
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = "Copy";
  button.addEventListener("click", async () => {
    await navigator.clipboard.writeText(shown.textContent ?? "").then(
      () => (button.textContent = "Copied"),
      () => (button.textContent = "Copy it by hand"),
    );
  });
  shown.after(button);
}
