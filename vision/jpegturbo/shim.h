#ifndef QT_JPEG_SHIM_H
#define QT_JPEG_SHIM_H
#include <stddef.h>

enum { QT_JPEG_OK = 0, QT_JPEG_CORRUPT = 1, QT_JPEG_CUT_SHORT = 2, QT_JPEG_MEMORY = 3 };

typedef struct {
  int full_width, full_height;
  int components;
  int color_space;           /* J_COLOR_SPACE of the file */
  int progressive;
  int planar;                /* 1: read as planes; 0: read as interleaved RGB rows */
  int width, height;         /* luma plane at the asked scale */
  int chroma_width, chroma_height;
  int rows_read;             /* luma rows finished before an error */
  char message[200];
} qt_jpeg_info;

/* Both read the whole file in memory; neither keeps a pointer to it. */
int qt_jpeg_header(const unsigned char *data, size_t size, int denom, qt_jpeg_info *info);
int qt_jpeg_planes(const unsigned char *data, size_t size, int denom, qt_jpeg_info *info,
                   unsigned char *y, unsigned char *cb, unsigned char *cr);
int qt_jpeg_rgb(const unsigned char *data, size_t size, int denom, qt_jpeg_info *info,
                unsigned char *rgb);
/* Encodes interleaved RGB; *out is malloc'd, the caller frees it. */
int qt_jpeg_encode(const unsigned char *rgb, int width, int height, int quality,
                   int halve_chroma, unsigned char **out, unsigned long *size);
#endif
