// In a notebook: the page in a frame of its own, and what is moved on it handed to the kernel.

function render({ model, el }) {
  const frame = document.createElement("iframe");
  frame.setAttribute("sandbox", "allow-scripts");
  frame.title = "live page";
  frame.style.cssText = `width: 100%; height: ${model.get("height")}px; border: 1px solid #ccc`;
  frame.srcdoc = model.get("page");
  const hear = (event) => {
    const moved = event.source === frame.contentWindow && event.data?.returnflow;
    if (!moved) return;
    model.set("moved", moved);
    model.save_changes();
  };
  window.addEventListener("message", hear);
  el.append(frame);
  return () => window.removeEventListener("message", hear);
}

export default { render };
