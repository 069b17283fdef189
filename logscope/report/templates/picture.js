"use strict";
/* Turns each chart with its title and keys into a PNG, kept in an attribute of its element for whoever reads the page. */
addEventListener("load", async () => {
  const WIDTH = 700, PADDING = 16, SCALE = 2; /* px that hold a chart as it is printed; points of the screen a px */
  const layers = document.createElement("style"); /* of the library, which keeps its own rules where no copy has them */
  layers.textContent = ".main-svg { position: absolute; top: 0; left: 0; } .svg-container { position: relative; }";
  const style = [document.querySelector("style"), layers].map((each) => new XMLSerializer().serializeToString(each)).join("");
  dispatchEvent(new Event("beforeprint")); /* draws every chart, in the colours of paper */
  for (const picture of document.querySelectorAll(".picture")) {
    picture.style.cssText = `width:${WIDTH}px;padding:${PADDING}px;background:#ffffff`;
    while (![...picture.querySelectorAll("[data-plot]")].every((box) => box.querySelector(".main-svg"))) {
      await new Promise((done) => setTimeout(done, 20));
    }
    await new Promise((done) => setTimeout(done, 20)); /* the library sets its last labels */
    picture.querySelectorAll(".noprint").forEach((each) => each.remove());
    const height = Math.ceil(picture.getBoundingClientRect().height);
    const copy = picture.cloneNode(true);
    copy.querySelectorAll("script").forEach((script) => script.remove());
    const inside = new XMLSerializer().serializeToString(copy);
    const svg = `<svg xmlns="http://www.w3.org/2000/svg" width="${WIDTH}" height="${height}">`
      + `<foreignObject width="100%" height="100%"><body xmlns="http://www.w3.org/1999/xhtml">${style}${inside}</body>`
      + "</foreignObject></svg>";
    const image = new Image();
    image.src = `data:image/svg+xml;charset=utf-8,${encodeURIComponent(svg)}`;
    await image.decode();
    const canvas = Object.assign(document.createElement("canvas"), { width: WIDTH * SCALE, height: height * SCALE });
    const brush = canvas.getContext("2d");
    brush.scale(SCALE, SCALE);
    brush.drawImage(image, 0, 0);
    picture.dataset.png = canvas.toDataURL("image/png");
  }
});
