// Live update: the daemon sends finished fragments, this puts them in place. Every page works the same without it.
(() => {
  "use strict";
  const page = document.body.dataset.live;
  if (!page || !window.EventSource) return;
  const lostNote = document.querySelector("[data-link-lost]");

  const setLink = (up) => {
    document.documentElement.classList.toggle("lost", !up);
    lostNote.hidden = up;
    for (const button of document.querySelectorAll("[data-needs-link]")) button.disabled = !up;
  };

  const put = (name, html) => {
    const place = document.getElementById("part-" + name);
    if (!place) return;
    const held = place.contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
    const opened = [...place.querySelectorAll("details")].map((item) => item.open);
    place.innerHTML = html;
    place.querySelectorAll("details").forEach((item, index) => { item.open = opened[index] === true; });
    if (held) {
      const again = [...place.querySelectorAll("a")].find((link) => link.getAttribute("href") === held);
      if (again) again.focus({ preventScroll: true });
    }
  };

  const stream = new EventSource("/api/v1/live?" + page);
  stream.addEventListener("open", () => setLink(true));
  stream.addEventListener("error", () => setLink(false));
  stream.addEventListener("part", (event) => {
    const part = JSON.parse(event.data);
    put(part.name, part.html);
  });
})();
