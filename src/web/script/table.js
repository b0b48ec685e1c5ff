// A file with a table is read into the field that it would be pasted into. Without scripts it is pasted.

for (const field of document.querySelectorAll("textarea[data-file]")) {
  if (!(field instanceof HTMLTextAreaElement)) {
    continue;
  }
  const label = document.createElement("label");
  label.textContent = "Or choose a file";
  const input = document.createElement("input");
  input.type = "file";
  input.accept = ".csv,text/csv,text/plain";
  input.addEventListener("change", async () => {
    const file = input.files?.[0];
    if (file) {
      field.value = await file.text();
    }
  });
  label.append(input);
  field.closest("label")?.after(label);
}
