#include "shim.h"
#include <setjmp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <jpeglib.h>
#include <jerror.h>

/* The library reports trouble through callbacks and leaves through longjmp;
   everything here stays inside C so that no jump crosses a Go frame. */
typedef struct {
  struct jpeg_error_mgr mgr; /* first: the library hands back a pointer to it */
  jmp_buf leave;
  qt_jpeg_info *info;
  int code;
} trouble;

static void leave_with(j_common_ptr cinfo, int code) {
  trouble *t = (trouble *)cinfo->err;
  char text[JMSG_LENGTH_MAX];
  (*cinfo->err->format_message)(cinfo, text);
  snprintf(t->info->message, sizeof t->info->message, "%s", text);
  t->code = code;
  longjmp(t->leave, 1);
}

static void on_error(j_common_ptr cinfo) {
  int code = QT_JPEG_CORRUPT;
  switch (cinfo->err->msg_code) {
    case JERR_INPUT_EMPTY:
    case JERR_INPUT_EOF: code = QT_JPEG_CUT_SHORT; break;
    case JERR_OUT_OF_MEMORY: code = QT_JPEG_MEMORY; break;
  }
  leave_with(cinfo, code);
}

/* A warning means pixels were invented: that is an error here, except for
   two that concern only the header. */
static void on_message(j_common_ptr cinfo, int level) {
  if (level >= 0) return;
  switch (cinfo->err->msg_code) {
    case JWRN_ADOBE_XFORM:
    case JWRN_JFIF_MAJOR: return;
    case JWRN_JPEG_EOF: leave_with(cinfo, QT_JPEG_CUT_SHORT);
  }
  leave_with(cinfo, QT_JPEG_CORRUPT);
}

static void quiet(j_common_ptr cinfo) { (void)cinfo; }

/* A hostile progressive file can hold thousands of scans, each as costly as a
   photo. Cameras write about ten. */
enum { MAX_SCANS = 100 };
static void on_progress(j_common_ptr cinfo) {
  if (cinfo->is_decompressor && ((j_decompress_ptr)cinfo)->input_scan_number > MAX_SCANS) {
    cinfo->err->msg_code = JERR_BAD_PROGRESSION;
    leave_with(cinfo, QT_JPEG_CORRUPT);
  }
}

static void start(struct jpeg_decompress_struct *c, trouble *t, struct jpeg_progress_mgr *p,
                  qt_jpeg_info *info) {
  memset(c, 0, sizeof *c);
  memset(info, 0, sizeof *info);
  c->err = jpeg_std_error(&t->mgr);
  t->mgr.error_exit = on_error;
  t->mgr.emit_message = on_message;
  t->mgr.output_message = quiet;
  t->info = info;
  t->code = QT_JPEG_OK;
  memset(p, 0, sizeof *p);
  p->progress_monitor = on_progress;
}

/* Samples along one side of a plane at scale 1/denom. */
static int plane_side(JDIMENSION full, int samp, int max_samp, int denom) {
  unsigned long share = (unsigned long)max_samp * denom;
  return (int)(((unsigned long)full * samp + share - 1) / share);
}

static void read_header(struct jpeg_decompress_struct *c, struct jpeg_progress_mgr *p,
                        const unsigned char *data, size_t size, int denom, qt_jpeg_info *info) {
  jpeg_create_decompress(c);
  c->progress = p;
  jpeg_mem_src(c, data, (unsigned long)size);
  jpeg_read_header(c, TRUE);
  c->scale_num = 1;
  c->scale_denom = (unsigned int)denom;
  info->full_width = (int)c->image_width;
  info->full_height = (int)c->image_height;
  info->components = c->num_components;
  info->color_space = (int)c->jpeg_color_space;
  info->progressive = c->progressive_mode;
  info->planar = c->jpeg_color_space == JCS_YCbCr &&
                 c->comp_info[0].h_samp_factor == c->max_h_samp_factor &&
                 c->comp_info[0].v_samp_factor == c->max_v_samp_factor &&
                 c->comp_info[1].h_samp_factor == c->comp_info[2].h_samp_factor &&
                 c->comp_info[1].v_samp_factor == c->comp_info[2].v_samp_factor;
  if (c->jpeg_color_space == JCS_YCbCr || c->jpeg_color_space == JCS_RGB) {
    if (info->planar) {
      c->raw_data_out = TRUE;
      c->out_color_space = JCS_YCbCr;
    } else {
      c->out_color_space = JCS_RGB;
    }
  }
  jpeg_calc_output_dimensions(c);
  info->width = (int)c->output_width;
  info->height = (int)c->output_height;
  if (info->planar) {
    info->chroma_width = plane_side(c->image_width, c->comp_info[1].h_samp_factor, c->max_h_samp_factor, denom);
    info->chroma_height = plane_side(c->image_height, c->comp_info[1].v_samp_factor, c->max_v_samp_factor, denom);
  }
}

#if JPEG_LIB_VERSION >= 70
#define SCALED_SIZE(k) (k)->DCT_h_scaled_size
#define SMALLEST_SIZE(c) (c)->min_DCT_h_scaled_size
#else
#define SCALED_SIZE(k) (k)->DCT_scaled_size
#define SMALLEST_SIZE(c) (c)->min_DCT_scaled_size
#endif

/* At reduced scale the library decodes the coarser chroma of a 4:2:0 photo with
   a larger transform, up to the size of luma, which costs as much again as luma
   does. Here every plane comes at the same scale. The sizes can be changed once
   the library has chosen them and before it plans by them, and that is where it
   asks for the memory of the whole photo. */
typedef struct {
  struct jpeg_decompress_struct c; /* first: the library hands back a pointer to it */
  void (*realize)(j_common_ptr);
} decoder;

static void keep_scale(j_common_ptr cinfo) {
  decoder *d = (decoder *)cinfo;
  for (int i = 0; i < d->c.num_components; i++) {
    jpeg_component_info *k = &d->c.comp_info[i];
    SCALED_SIZE(k) = SMALLEST_SIZE(&d->c);
#if JPEG_LIB_VERSION >= 70
    k->DCT_v_scaled_size = d->c.min_DCT_v_scaled_size;
#endif
  }
  d->realize(cinfo);
}

int qt_jpeg_header(const unsigned char *data, size_t size, int denom, qt_jpeg_info *info) {
  struct jpeg_decompress_struct c;
  struct jpeg_progress_mgr p;
  trouble t;
  start(&c, &t, &p, info);
  if (setjmp(t.leave) == 0) read_header(&c, &p, data, size, denom, info);
  jpeg_destroy_decompress(&c);
  return t.code;
}

/* Reads the planes as the file holds them: no colour conversion, no chroma
   interpolation. Rows go straight to their place where their length is a whole
   number of blocks, and else by way of a strip. */
int qt_jpeg_planes(const unsigned char *data, size_t size, int denom, qt_jpeg_info *info,
                   unsigned char *y, unsigned char *cb, unsigned char *cr) {
  decoder d;
  struct jpeg_decompress_struct *c = &d.c;
  struct jpeg_progress_mgr p;
  trouble t;
  start(c, &t, &p, info);
  if (setjmp(t.leave) == 0) {
    read_header(c, &p, data, size, denom, info);
    d.realize = c->mem->realize_virt_arrays;
    c->mem->realize_virt_arrays = keep_scale;
    jpeg_start_decompress(c);
    unsigned char *planes[3];
    planes[0] = y, planes[1] = cb, planes[2] = cr;
    JSAMPARRAY strip[3];
    JSAMPROW place[3][MAX_SAMP_FACTOR * DCTSIZE];
    int next[3] = {0, 0, 0}, rows[3], width[3], height[3], whole[3];
    for (int i = 0; i < 3; i++) {
      jpeg_component_info *k = &c->comp_info[i];
      int scaled = SCALED_SIZE(k);
      if (scaled != SMALLEST_SIZE(c)) ERREXIT(c, JERR_NOT_COMPILED); /* a library of another make */
      rows[i] = k->v_samp_factor * scaled;
      width[i] = i == 0 ? info->width : info->chroma_width;
      height[i] = i == 0 ? info->height : info->chroma_height;
      whole[i] = width[i] == (int)k->width_in_blocks * scaled;
      strip[i] = (*c->mem->alloc_sarray)((j_common_ptr)c, JPOOL_IMAGE, k->width_in_blocks * scaled, rows[i]);
    }
    JDIMENSION lines = c->max_v_samp_factor * SMALLEST_SIZE(c);
    while (c->output_scanline < c->output_height) {
      JSAMPARRAY into[3];
      for (int i = 0; i < 3; i++) {
        into[i] = strip[i];
        if (whole[i] && next[i] + rows[i] <= height[i]) {
          into[i] = place[i];
          for (int r = 0; r < rows[i]; r++) place[i][r] = planes[i] + (size_t)(next[i] + r) * width[i];
        }
      }
      jpeg_read_raw_data(c, into, lines);
      for (int i = 0; i < 3; i++)
        for (int r = 0; r < rows[i] && next[i] < height[i]; r++, next[i]++)
          if (into[i] == strip[i])
            memcpy(planes[i] + (size_t)next[i] * width[i], strip[i][r], width[i]);
      info->rows_read = (int)c->output_scanline;
    }
    jpeg_finish_decompress(c);
  }
  jpeg_destroy_decompress(c);
  return t.code;
}

int qt_jpeg_rgb(const unsigned char *data, size_t size, int denom, qt_jpeg_info *info,
                unsigned char *rgb) {
  struct jpeg_decompress_struct c;
  struct jpeg_progress_mgr p;
  trouble t;
  start(&c, &t, &p, info);
  if (setjmp(t.leave) == 0) {
    read_header(&c, &p, data, size, denom, info);
    c.raw_data_out = FALSE;
    c.out_color_space = JCS_RGB;
    jpeg_start_decompress(&c);
    while (c.output_scanline < c.output_height) {
      JSAMPROW row = rgb + (size_t)c.output_scanline * c.output_width * 3;
      jpeg_read_scanlines(&c, &row, 1);
      info->rows_read = (int)c.output_scanline;
    }
    jpeg_finish_decompress(&c);
  }
  jpeg_destroy_decompress(&c);
  return t.code;
}

int qt_jpeg_encode(const unsigned char *rgb, int width, int height, int quality,
                   int halve_chroma, unsigned char **out, unsigned long *size) {
  struct jpeg_compress_struct c;
  trouble t;
  qt_jpeg_info info;
  memset(&c, 0, sizeof c);
  memset(&info, 0, sizeof info);
  c.err = jpeg_std_error(&t.mgr);
  t.mgr.error_exit = on_error;
  t.mgr.output_message = quiet;
  t.info = &info;
  t.code = QT_JPEG_OK;
  *out = NULL;
  *size = 0;
  if (setjmp(t.leave) == 0) {
    jpeg_create_compress(&c);
    jpeg_mem_dest(&c, out, size);
    c.image_width = (JDIMENSION)width;
    c.image_height = (JDIMENSION)height;
    c.input_components = 3;
    c.in_color_space = JCS_RGB;
    jpeg_set_defaults(&c);
    jpeg_set_quality(&c, quality, TRUE);
    c.comp_info[0].h_samp_factor = c.comp_info[0].v_samp_factor = halve_chroma ? 2 : 1;
    jpeg_start_compress(&c, TRUE);
    while (c.next_scanline < c.image_height) {
      JSAMPROW row = (JSAMPROW)(rgb + (size_t)c.next_scanline * width * 3);
      jpeg_write_scanlines(&c, &row, 1);
    }
    jpeg_finish_compress(&c);
  }
  jpeg_destroy_compress(&c);
  return t.code;
}
