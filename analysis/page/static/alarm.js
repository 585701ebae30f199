// A pressure too near its limit: large words, a tone where the technician switched it on.
import {shown} from "./units.js";

const SIDES = {low_side: "Low side", high_side: "High side"};

export class Alarm {
  constructor(banner, button) {
    this.banner = banner;
    this.audio = null;
    this.beeping = 0;
    button.addEventListener("click", () => {
      const on = button.getAttribute("aria-pressed") !== "true";
      button.setAttribute("aria-pressed", String(on));
      button.textContent = `Sound for warnings: ${on ? "on" : "off"}`;
      if (on) {
        this.audio = this.audio ?? new AudioContext();
        this.audio.resume();
        this.beep();
      } else {
        this.audio?.suspend();
      }
      this.on = on;
    });
  }

  look(warned) {
    const words = warned.map((w) => `${SIDES[w.side]} ${shown(w.kpa, "pressure")}, near the ${w.why} (${shown(w.limit_kpa, "pressure")})`);
    this.banner.hidden = warned.length === 0;
    if (warned.length) {
      const kind = warned.map((w) => w.side + w.why).join();
      // The number moves on, the spoken alarm is not repeated with each sample.
      if (this.kind !== kind || performance.now() - (this.told ?? 0) > 1000) {
        this.told = performance.now();
        this.banner.textContent = `Stop the engine. ${words.join(". ")}.`;
      }
      this.kind = kind;
      if (this.on && performance.now() - this.beeping > 900) this.beep();
    } else {
      this.kind = null;
    }
  }

  beep() {
    this.beeping = performance.now();
    const tone = this.audio.createOscillator();
    const gain = this.audio.createGain();
    tone.type = "square";
    tone.frequency.value = 1320;
    gain.gain.setValueAtTime(0.25, this.audio.currentTime);
    gain.gain.exponentialRampToValueAtTime(0.001, this.audio.currentTime + 0.5);
    tone.connect(gain).connect(this.audio.destination);
    tone.start();
    tone.stop(this.audio.currentTime + 0.5);
  }
}
