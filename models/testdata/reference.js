// Runs the original models under their own runtimes on inputs that are
// computed, and writes part of the outputs to reference.json. See README.md.
//
//	node reference.js FOLDER_WITH_UNPACKED_PACKAGES
//
// where the folder holds mediapipe/ and human-models/ (the "package" folders
// of the two npm archives), and @tensorflow/tfjs and @tensorflow/tfjs-tflite
// can be required from here.
'use strict';
const fs = require('fs');
const path = require('path');

const root = process.argv[2];

// noise is one byte per index: a 32-bit integer hash.
function noise(i) {
  let x = Math.imul(i + 1, 0x9e3779b1) >>> 0;
  x = Math.imul(x ^ (x >>> 15), 0x85ebca6b) >>> 0;
  x = (x ^ (x >>> 13)) >>> 0;
  return x >>> 24;
}

function noisePicture(w, h) {
  return Uint8Array.from({length: w * h * 3}, (_, i) => noise(i));
}

// Limbs of a plain figure: two ends and the radius in thousandths of the
// height, x from the middle of the picture, then the colour.
const limbs = [
  [-60, 560, -90, 740, 42, 90, 90, 110], [-90, 740, -110, 920, 32, 90, 90, 110], [-115, 935, -150, 945, 24, 40, 40, 40],
  [60, 560, 95, 740, 42, 90, 90, 110], [95, 740, 100, 920, 32, 90, 90, 110], [105, 935, 150, 945, 24, 40, 40, 40],
  [0, 300, 0, 540, 95, 180, 40, 40],
  [-95, 275, -160, 400, 30, 210, 160, 130], [-160, 400, -60, 470, 24, 210, 160, 130],
  [95, 275, 165, 390, 30, 210, 160, 130], [165, 390, 80, 480, 24, 210, 160, 130],
  [0, 200, 0, 240, 30, 210, 160, 130], [0, 135, 0, 160, 62, 220, 170, 140],
  [-24, 140, -23, 140, 9, 30, 30, 30], [24, 140, 25, 140, 9, 30, 30, 30], [-18, 178, 18, 178, 8, 150, 60, 60],
];

// figurePicture is whole-number arithmetic only, so that it can be repeated exactly.
function figurePicture(w, h) {
  const p = new Uint8Array(w * h * 3);
  const scaled = limbs.map(([x0, y0, x1, y1, r, ...c]) => {
    const at = (v) => Math.floor((v + 1000) * h / 1000) - h;
    const a = [at(x0) + (w >> 1), at(y0)], b = [at(x1) + (w >> 1), at(y1)];
    if (a[0] === b[0] && a[1] === b[1]) b[0]++;
    return {a, dx: b[0] - a[0], dy: b[1] - a[1], r: Math.max(2, at(r)), c};
  });
  for (let y = 0; y < h; y++) {
    for (let x = 0; x < w; x++) {
      const k = (y * w + x) * 3;
      p[k] = 70 + Math.floor(60 * y / h) + (noise(k) >> 4);
      p[k + 1] = 110 + Math.floor(50 * x / w) + (noise(k + 1) >> 4);
      p[k + 2] = 80 + (noise(k + 2) >> 4);
      for (const l of scaled) {
        const n = l.dx * l.dx + l.dy * l.dy;
        const t = Math.min(n, Math.max(0, (x - l.a[0]) * l.dx + (y - l.a[1]) * l.dy));
        const ex = (x - l.a[0]) * n - t * l.dx, ey = (y - l.a[1]) * n - t * l.dy;
        const d = ex * ex + ey * ey, full = l.r * l.r * n * n;
        if (d >= full) continue;
        const shade = 255 - Math.floor(150 * d / full);
        for (let i = 0; i < 3; i++) p[k + i] = Math.floor(l.c[i] * shade / 255);
      }
    }
  }
  return p;
}

const pictures = {noise: noisePicture, figure: figurePicture};

// sample keeps at most `keep` values of an output, evenly spaced, with the spacing.
function sample(values, keep) {
  const step = Math.max(1, Math.ceil(values.length / keep));
  const out = [];
  for (let i = 0; i < values.length; i += step) out.push(Number(values[i].toPrecision(8)));
  return {length: values.length, step, values: out};
}

async function landmark(name, file, result) {
  const wasm = path.join(path.dirname(require.resolve('@tensorflow/tfjs-tflite/package.json')), 'wasm');
  const factory = require(path.join(wasm, 'tflite_web_api_cc_simd.js'));
  const m = await factory({wasmBinary: fs.readFileSync(path.join(wasm, 'tflite_web_api_cc_simd.wasm'))});
  const bytes = fs.readFileSync(path.join(root, 'mediapipe', file));
  const at = m._malloc(bytes.length);
  m.HEAPU8.set(bytes, at);
  const made = m.TFLiteWebModelRunner.CreateFromBufferAndOptions(at, bytes.length, {numThreads: 1, enableProfiling: false, maxProfilingBufferEntries: 1024});
  if (!made.ok()) throw new Error(made.errorMessage());
  const runner = made.value();
  for (const [picture, draw] of Object.entries(pictures)) {
    const input = runner.GetInputs().get(0);
    input.data().set(Float32Array.from(draw(256, 256), (v) => v / 255));
    if (!runner.Infer()) throw new Error('inference failed');
    const outputs = runner.GetOutputs();
    const all = [];
    for (let i = 0; i < outputs.size(); i++) all.push(Float32Array.from(outputs.get(i).data()));
    // The runtime's order is the file's; the third, segmentation, is not converted.
    result.push({model: name, picture, shape: [1, 256, 256, 3], outputs: [0, 1, 3, 4].map((i) => sample(all[i], 234))});
  }
}

async function graphModel(tf, name, file, shapes, picturesToTensor, outputNames, result) {
  const json = JSON.parse(fs.readFileSync(path.join(root, 'human-models', 'models', file + '.json')));
  const bin = fs.readFileSync(path.join(root, 'human-models', 'models', file + '.bin'));
  const model = await tf.loadGraphModel({load: async () => ({
    format: json.format, modelTopology: json.modelTopology, signature: json.signature,
    weightSpecs: json.weightsManifest.flatMap((g) => g.weights),
    weightData: bin.buffer.slice(bin.byteOffset, bin.byteOffset + bin.length),
  })});
  for (const [h, w] of shapes) {
    for (const [picture, draw] of Object.entries(pictures)) {
      const x = picturesToTensor(draw(w, h), h, w);
      let out = await model.executeAsync(x, outputNames);
      if (!Array.isArray(out)) out = [out];
      const outputs = [];
      for (const o of out) outputs.push(sample(await o.data(), 336));
      result.push({model: name, picture, shape: x.shape, outputs});
    }
  }
}

(async () => {
  const result = [];
  await landmark('landmark_full', 'pose_landmark_full.tflite', result);
  await landmark('landmark_heavy', 'pose_landmark_heavy.tflite', result);
  const tf = require('@tensorflow/tfjs');
  await tf.setBackend('cpu');
  const rgb = (p, h, w) => tf.tensor(Int32Array.from(p), [1, h, w, 3], 'int32');
  await graphModel(tf, 'movenet_multipose', 'movenet-multipose', [[256, 256], [224, 384]], rgb, ['Identity'], result);
  await graphModel(tf, 'movenet_thunder', 'movenet-thunder', [[256, 256]], rgb, ['Identity'], result);
  const mean = [103.53, 116.28, 123.675], std = [57.375, 57.12, 58.395];
  const bgr = (p, h, w) => {
    const x = new Float32Array(3 * h * w);
    for (let c = 0; c < 3; c++) for (let i = 0; i < h * w; i++) x[c * h * w + i] = (p[i * 3 + 2 - c] - mean[c]) / std[c];
    return tf.tensor(x, [1, 3, h, w]);
  };
  await graphModel(tf, 'nanodet', 'nanodet', [[416, 416]], bgr,
      ['Identity', 'Identity_1', 'Identity_2', 'Identity_3', 'Identity_4', 'Identity_5'], result);
  fs.writeFileSync('reference.json', '[\n' + result.map((r) => JSON.stringify(r)).join(',\n') + '\n]\n');
})().catch((e) => { console.error(e); process.exit(1); });
