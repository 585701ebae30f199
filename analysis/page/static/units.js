// Units that people choose; everything from the server is in kPa gauge, degC and K.
const PSI = 6.894757293168;
const SETS = {
  kpa: {pressure: ["kPa", (v) => v, 0], temperature: ["°C", (v) => v, 1], difference: ["K", (v) => v, 1]},
  bar: {pressure: ["bar", (v) => v / 100, 2], temperature: ["°C", (v) => v, 1], difference: ["K", (v) => v, 1]},
  psi: {pressure: ["psi", (v) => v / PSI, 0], temperature: ["°F", (v) => v * 1.8 + 32, 0], difference: ["°F", (v) => v * 1.8, 0]},
};

export function chosen() {
  const kept = localStorage.getItem("units");
  return kept in SETS ? kept : "kpa";
}

export function choose(name) {
  localStorage.setItem("units", name);
  document.cookie = `units=${name}; path=/; SameSite=Strict; max-age=31536000`;
}

export function unit(quantity) {
  return SETS[chosen()][quantity][0];
}

export function converted(value, quantity) {
  return SETS[chosen()][quantity][1](value);
}

export function shown(value, quantity, withUnit = true) {
  if (value === null || value === undefined) return "–";
  const [symbol, convert, places] = SETS[chosen()][quantity];
  const text = convert(value).toFixed(places).replace("-", "−");
  return withUnit ? `${text} ${symbol}` : text;
}

export function clock(seconds) {
  const whole = Math.max(0, Math.round(seconds));
  const minutes = Math.floor(whole / 60) % 60;
  const hours = Math.floor(whole / 3600);
  const pad = (n) => String(n).padStart(2, "0");
  return hours ? `${hours}:${pad(minutes)}:${pad(whole % 60)}` : `${minutes}:${pad(whole % 60)}`;
}
