// Reads a label with the camera and sends its text by the form that is there without a script.
// The browser's own reader is used where it has one; else our copy of a compiled reader, which is
// fetched from this site only, and only when the button is pressed.
(function () {
  "use strict";
  const form = document.querySelector("form.scan");
  const box = form && form.querySelector(".scan-camera");
  const media = navigator.mediaDevices;
  if (!box || !media || !media.getUserMedia) return;
  const button = box.querySelector("button");
  const video = box.querySelector("video");
  const words = box.querySelector(".scan-words");
  const field = form.querySelector("#code");
  let stream = null;
  box.hidden = false;

  function loadScript(url) {
    return new Promise(function (resolve, reject) {
      const script = document.createElement("script");
      script.src = url;
      script.onload = resolve;
      script.onerror = reject;
      document.head.append(script);
    });
  }

  async function ownReader() {
    const kinds = "BarcodeDetector" in window ? await window.BarcodeDetector.getSupportedFormats() : [];
    if (!kinds.includes("qr_code")) return null;
    const detector = new window.BarcodeDetector({ formats: ["qr_code"] });
    return async (picture) => (await detector.detect(picture)).map((found) => found.rawValue);
  }

  async function compiledReader() {
    await loadScript(form.dataset.reader);
    const reader = window.ZXingWASM;
    reader.prepareZXingModule({ overrides: { locateFile: () => form.dataset.wasm } });
    const canvas = document.createElement("canvas");
    return async function (picture) {
      canvas.width = picture.videoWidth;
      canvas.height = picture.videoHeight;
      const pen = canvas.getContext("2d", { willReadFrequently: true });
      pen.drawImage(picture, 0, 0);
      const pixels = pen.getImageData(0, 0, canvas.width, canvas.height);
      const found = await reader.readBarcodes(pixels, { formats: ["QRCode"], maxNumberOfSymbols: 1 });
      return found.map((one) => one.text);
    };
  }

  function stop() {
    if (stream) stream.getTracks().forEach((track) => track.stop());
    stream = null;
    video.srcObject = null;
    video.hidden = true;
    button.textContent = "Start the camera";
  }

  async function look(read) {
    while (stream) {
      const texts = video.videoWidth ? await read(video) : [];
      const text = texts.find((one) => one);
      if (text && stream) {
        stop();
        field.value = text;
        form.requestSubmit();
        return;
      }
      await new Promise((resolve) => setTimeout(resolve, 150));
    }
  }

  async function start() {
    button.disabled = true;
    words.textContent = "Starting the camera.";
    try {
      const read = (await ownReader()) || (await compiledReader());
      stream = await media.getUserMedia({ video: { facingMode: "environment" }, audio: false });
      video.srcObject = stream;
      video.hidden = false;
      await video.play();
      words.textContent = "Hold the square in the picture, a hand's width away.";
      button.textContent = "Stop the camera";
      button.disabled = false;
      await look(read);
    } catch (error) {
      stop();
      words.textContent = "The camera or its reader did not start (" + error.name + "). Type the code.";
      button.disabled = false;
      field.focus();
    }
  }

  button.addEventListener("click", () => (stream ? stop() : start()));
  window.addEventListener("pagehide", stop);
})();
