// SPDX-License-Identifier: GPL-3.0-or-later
//
// Photos from the tablet's camera, made small enough to keep.

import { Problem } from './api.js';

export const MOST_PHOTOS = 24;
const LONGEST_PX = 1600;
const LARGEST_BYTES = 2 * 1024 * 1024;

// A JPEG of at most 1600 px and 2 MB.
export async function shrink(file) {
  let picture;
  try {
    picture = await createImageBitmap(file, { imageOrientation: 'from-image' });
  } catch {
    throw new Problem(`${file.name || 'The file'} is not a picture this tablet can read.`);
  }
  const scale = Math.min(1, LONGEST_PX / Math.max(picture.width, picture.height));
  const canvas = document.createElement('canvas');
  canvas.width = Math.max(1, Math.round(picture.width * scale));
  canvas.height = Math.max(1, Math.round(picture.height * scale));
  canvas.getContext('2d').drawImage(picture, 0, 0, canvas.width, canvas.height);
  picture.close();
  for (const quality of [0.85, 0.7, 0.5]) {
    const blob = await new Promise((resolve) => { canvas.toBlob(resolve, 'image/jpeg', quality); });
    if (blob && blob.size <= LARGEST_BYTES) return blob;
  }
  throw new Problem(`${file.name || 'The picture'} stays over 2 MB however small it is made.`);
}
