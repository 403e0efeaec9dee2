// Renders SVG files on white. Asked on standard input with one JSON array a line, [file, width in pixels], it answers
// with width and height, four bytes each, little end first, and the pixels as R,G,B,A; width 0 where it cannot.
const fs = require('fs');
const { Resvg } = require(process.argv[1] + '/@resvg/resvg-js');

function write(buffer) {
  for (let done = 0; done < buffer.length;) {
    try {
      done += fs.writeSync(1, buffer, done);
    } catch (e) {
      if (e.code !== 'EAGAIN') throw e;
    }
  }
}

require('readline').createInterface({ input: process.stdin }).on('line', (line) => {
  const head = Buffer.alloc(8);
  try {
    const [file, width] = JSON.parse(line);
    const image = new Resvg(fs.readFileSync(file, 'utf8'), {
      fitTo: { mode: 'width', value: width }, background: '#fff', font: { loadSystemFonts: false }, logLevel: 'off',
    }).render();
    head.writeUInt32LE(image.width, 0);
    head.writeUInt32LE(image.height, 4);
    write(Buffer.concat([head, image.pixels]));
  } catch {
    write(head);
  }
});
