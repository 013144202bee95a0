// Sounds of the desk, made here, so that a helper need not look up: done goes up, refused is low,
// an alarm goes on for a while. A browser is silent until a key was pressed or the page touched.
let context;

export function wakeSound() {
  context ??= new AudioContext();
  if (context.state === 'suspended') context.resume();
}
export const soundReady = () => context?.state === 'running';

// [frequency in Hz, begin in s, length in s]
const tunes = {
  done: [[880, 0, 0.08], [1320, 0.09, 0.12]],
  refused: [[196, 0, 0.16], [165, 0.2, 0.24]],
  alarm: [0, 0.5, 1].flatMap((at) => [[988, at, 0.2], [659, at + 0.22, 0.2]]),
};

export function play(sound) {
  if (!soundReady()) return;
  for (const [frequency, at, length] of tunes[sound] ?? []) {
    const tone = context.createOscillator();
    const loud = context.createGain();
    const begin = context.currentTime + at;
    tone.type = sound === 'done' ? 'sine' : 'square';
    tone.frequency.value = frequency;
    loud.gain.setValueAtTime(0, begin);
    loud.gain.linearRampToValueAtTime(0.3, begin + 0.01);
    loud.gain.setValueAtTime(0.3, begin + length - 0.02);
    loud.gain.linearRampToValueAtTime(0, begin + length);
    tone.connect(loud).connect(context.destination);
    tone.start(begin);
    tone.stop(begin + length);
  }
}
