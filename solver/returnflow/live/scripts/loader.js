"use strict";
// Unpacks the scripts and starts them on the data; says so in plain words where that cannot be done.

async function inflate(text) {
  const packed = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
  return new Response(new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"))).arrayBuffer();
}

async function load(scripts, data) {
  try {
    if (!window.DecompressionStream) throw new Error("this browser cannot unpack it (any of 2023 or later can)");
    const script = document.createElement("script");
    script.textContent = new TextDecoder().decode(await inflate(scripts));
    document.head.append(script);
    window.page = new Page(await unpack(data));
  } catch (error) {
    const wait = document.getElementById("wait");
    wait.hidden = false;
    wait.textContent = `The page cannot be shown: ${error.message}.`;
    throw error;
  }
}
