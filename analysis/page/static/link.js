// The live feed: told all at first and after every loss, then what changes.
export class Link {
  constructor(name, onMessage, onState) {
    this.address = `${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/live/${encodeURIComponent(name)}`;
    this.onMessage = onMessage;
    this.onState = onState;
    this.pause = 300;
    this.over = false;
    this.open();
  }

  open() {
    if (this.over) return;
    const socket = new WebSocket(this.address);
    this.heard = Date.now();
    socket.onmessage = (event) => {
      this.pause = 300;
      this.heard = Date.now();
      this.onState(true);
      this.onMessage(JSON.parse(event.data));
    };
    socket.onclose = () => {
      clearInterval(this.watchdog);
      if (this.over) return;
      this.onState(false);
      setTimeout(() => this.open(), this.pause);
      this.pause = Math.min(this.pause * 2, 5000);
    };
    // A phone that left the network is not told so: nothing for ten seconds counts as lost.
    this.watchdog = setInterval(() => { if (Date.now() - this.heard > 10000) socket.close(); }, 2000);
    this.socket = socket;
  }

  end() {
    this.over = true;
    clearInterval(this.watchdog);
    this.socket.close();
  }
}
