// The page on the phone: sends photos one after another and says what became of each.

const picker = document.getElementById("picker");
const now = document.getElementById("now");
const sent = document.getElementById("sent");
let waiting = [];
let busy = false;

picker.addEventListener("change", () => {
  waiting.push(...picker.files);
  picker.value = "";
  if (!busy) sendAll();
});

async function sendAll() {
  busy = true;
  while (waiting.length) {
    const [file, ...rest] = waiting;
    now.textContent = `Sending ${file.name}, ${rest.length} more after it`;
    const [good, words] = await send(file);
    const line = document.createElement("li");
    line.className = good ? "" : "bad";
    line.textContent = `${file.name}: ${words}`;
    sent.prepend(line);
    waiting = waiting.slice(1);
  }
  now.textContent = "All sent";
  busy = false;
}

async function send(file) {
  try {
    const response = await fetch("/api/photos", {
      method: "POST", credentials: "same-origin", body: file,
      headers: { "Content-Type": "application/octet-stream", "X-File-Name": encodeURIComponent(file.name) },
    });
    const answer = await response.json();
    if (!answer.ok) return [false, [answer.error, answer.cure].filter(Boolean).join("; ")];
    return [true, answer.was_there ? "was there already" : "arrived"];
  } catch {
    return [false, "could not be sent; is the phone still in the same network?"];
  }
}
