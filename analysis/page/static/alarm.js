// A pressure too near its limit: large words, a tone unless it was switched off.
import {shown} from "./units.js";

const SIDES = {low_side: "Low side", high_side: "High side"};

export class Alarm {
  constructor(banner, button) {
    this.banner = banner;
    this.audio = null;
    this.beeping = 0;
    this.button = button;
    this.turn(localStorage.getItem("sound") !== "off");
    button.addEventListener("click", () => {
      this.turn(!this.on);
      localStorage.setItem("sound", this.on ? "on" : "off");
      if (this.on) this.beep();
    });
    // A browser lets a page sound only once somebody has pressed something in it.
    for (const press of ["pointerdown", "keydown"]) {
      document.addEventListener(press, () => this.wake(), {capture: true});
    }
  }

  turn(on) {
    this.on = on;
    this.button.setAttribute("aria-pressed", String(on));
    this.button.textContent = `Sound for warnings: ${on ? "on" : "off"}`;
  }

  wake() {
    if (!this.on) return;
    this.audio = this.audio ?? new AudioContext();
    if (this.audio.state === "suspended") this.audio.resume();
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
    if (!this.audio) return;
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
