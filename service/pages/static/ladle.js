// Keeps what is shown fresh. Everything works without it.
(() => {
  // What has been read aloud is not read again at each refresh, nor for a tenth of a degree.
  const gist = (e) => e.textContent.replace(/[\d.]+/g, "");
  const alerts = (within) => [...within.querySelectorAll("[role=alert]")];
  let told = new Set(alerts(document).map(gist));
  let last = "";
  const refresh = async () => {
    const shown = document.querySelector("[data-refresh]");
    if (!shown || document.hidden) return;
    if (shown.contains(document.activeElement) || shown.querySelector("details[open]")) return;
    try {
      const answer = await fetch(location.pathname, { credentials: "same-origin" });
      if (!answer.ok || answer.redirected) return;
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const fresh = page.querySelector("[data-refresh]");
      if (fresh && fresh.innerHTML !== last) {
        last = fresh.innerHTML;
        const now = alerts(fresh);
        now.filter((e) => told.has(gist(e))).forEach((e) => e.removeAttribute("role"));
        told = new Set(now.map(gist));
        shown.replaceWith(document.importNode(fresh, true));
      }
      const foot = page.querySelector("footer");
      if (foot) document.querySelector("footer > p")?.replaceWith(foot.querySelector("p"));
    } catch {
      // the next try may succeed; the page says as of when it is
    }
  };
  const first = document.querySelector("[data-refresh]");
  if (!first) return;
  last = first.innerHTML;
  setInterval(refresh, 1000 * first.dataset.refresh);
})();
