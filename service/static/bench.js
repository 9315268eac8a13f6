// A blow recorded in the page: it goes into the file's field as a WAV, and from there the way of every file.
(() => {
  "use strict";

  const part = document.querySelector("[data-recorder]");
  if (!part || !navigator.mediaDevices || !window.AudioWorkletNode) return;
  const form = part.closest("form"), file = form.querySelector("input[type=file]");
  const [start, stop] = ["start", "stop"].map((name) => part.querySelector(`[data-${name}]`));
  const state = part.querySelector("[role=status]"), level = part.querySelector("meter");
  const say = (name) => { state.textContent = name ? part.querySelector(`[data-said=${name}]`).textContent : ""; };

  // PCM of 24 bits, one channel (RIFF WAVE).
  const wav = (chunks, rate) => {
    const count = chunks.reduce((sum, each) => sum + each.length, 0), bytes = new DataView(new ArrayBuffer(44 + 3 * count));
    const text = (at, word) => [...word].forEach((letter, place) => bytes.setUint8(at + place, letter.charCodeAt(0)));
    text(0, "RIFF"); bytes.setUint32(4, 36 + 3 * count, true); text(8, "WAVEfmt ");
    bytes.setUint32(16, 16, true); bytes.setUint16(20, 1, true); bytes.setUint16(22, 1, true);
    bytes.setUint32(24, rate, true); bytes.setUint32(28, 3 * rate, true); bytes.setUint16(32, 3, true); bytes.setUint16(34, 24, true);
    text(36, "data"); bytes.setUint32(40, 3 * count, true);
    let at = 44;
    chunks.forEach((each) => each.forEach((sample) => {
      const whole = Math.round(Math.max(-1, Math.min(1, sample)) * 0x7fffff);
      bytes.setUint16(at, whole & 0xffff, true); bytes.setInt8(at + 2, whole >> 16);
      at += 3;
    }));
    return new File([bytes], "blow.wav", { type: "audio/wav" });
  };

  const recording = async () => {
    // What makes speech clear makes a decay untrue.
    const heard = await navigator.mediaDevices.getUserMedia({
      audio: { echoCancellation: false, noiseSuppression: false, autoGainControl: false, channelCount: 1 },
    });
    const context = new AudioContext(), chunks = [];
    const end = () => { heard.getTracks().forEach((track) => track.stop()); return context.close(); };
    try {
      await context.audioWorklet.addModule(part.dataset.worklet);
      const taker = new AudioWorkletNode(context, "bench-taker", { numberOfOutputs: 0 });
      let loudest = 0;
      taker.port.onmessage = ({ data }) => {
        chunks.push(data);
        loudest = data.reduce((most, each) => Math.max(most, Math.abs(each)), 0.8 * loudest);
        level.value = loudest;
      };
      context.createMediaStreamSource(heard).connect(taker);
    } catch (error) {
      await end();
      throw error;
    }
    return async () => { await end(); return wav(chunks, context.sampleRate); };
  };

  let finish = null, waits = 0;
  const shows = (running) => { start.hidden = running; stop.hidden = level.hidden = !running; };
  const ends = async () => {
    if (!finish) return;
    const done = finish;
    finish = null;
    clearTimeout(waits);
    const kept = new DataTransfer();
    kept.items.add(await done());
    file.files = kept.files;
    shows(false);
    say("done");
    form.requestSubmit();
  };
  start.addEventListener("click", async () => {
    start.disabled = true;
    say("asks");
    try {
      finish = await recording();
      shows(true);
      say("runs");
      stop.focus();
      waits = setTimeout(ends, Number(part.dataset.recorder) * 1000);
    } catch (error) {
      say(error.name === "NotAllowedError" ? "denied" : "none");
    }
    start.disabled = false;
  });
  stop.addEventListener("click", ends);
  part.hidden = false;
})();
